// The QR code's address has the code after "#", which no browser sends, so a preview cannot use it.
addEventListener("DOMContentLoaded", () => {
  const digits = location.hash.slice(1);
  if (/^\d+$/.test(digits)) {
    document.getElementById("code").value = digits;
    history.replaceState(null, "", "/");
  }
});
