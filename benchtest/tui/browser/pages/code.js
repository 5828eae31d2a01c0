// A camera's address carries the code behind "#", which no browser sends: a preview uses no code up.
addEventListener("DOMContentLoaded", () => {
  const digits = location.hash.slice(1);
  if (/^\d+$/.test(digits)) {
    document.getElementById("code").value = digits;
    history.replaceState(null, "", "/");
  }
});
