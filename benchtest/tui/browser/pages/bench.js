// Additions to the library's terminal: a size that shows the whole screen, large keys, the
// questions spoken, a tone, and the reason when the connection ends.
"use strict";
const COLUMNS_PX = 784, LINES_PX = 525; // 80 × 24 characters of 16 px, and a little
const KEYS = {
  yes: "\x1b[6~", no: "\x1b[15~", back: "\x1b[5~", dark: "\x1b[20~", enter: "\r", rub: "\x7f",
};
let socket = null;
let speaks = false, chosen = false, question = "", sound = null;

// Questions are spoken only once the key or the command line asks for it.
function hearQuestion(text, wanted) {
  question = text;
  if (wanted && !chosen) setSpeech(true);
  else if (speaks) speak(text);
}

function speak(text) {
  if (!("speechSynthesis" in window)) return;
  speechSynthesis.cancel();
  if (text) speechSynthesis.speak(new SpeechSynthesisUtterance(text));
}

function setSpeech(on) {
  chosen = true;
  speaks = on;
  document.querySelector("[data-key=speech]").setAttribute("aria-pressed", String(on));
  speak(on ? question : "");
}

// Browsers allow sound after the first key or tap.
function tone() {
  sound = sound || new AudioContext();
  const pitch = sound.createOscillator(), level = sound.createGain();
  pitch.frequency.value = 880;
  level.gain.value = 0.2;
  pitch.connect(level).connect(sound.destination);
  pitch.start();
  pitch.stop(sound.currentTime + 0.2);
}

// The library hides its connection; the keys and the reason need it.
window.WebSocket = class extends WebSocket {
  constructor(url) {
    super(url);
    socket = this;
    this.addEventListener("message", (event) => {
      if (typeof event.data !== "string") return;
      const [kind, text, wanted] = JSON.parse(event.data);
      if (kind === "reason") document.getElementById("reason").textContent = text;
      if (kind === "spoken") hearQuestion(text, wanted);
      if (kind === "tone") tone();
    });
  }
};

// The viewport of a phone: wide enough for 80 columns, and so that 24 lines and the keys fit.
// Other browsers ignore it.
function fitToScreen() {
  const tall = innerHeight / innerWidth;
  const keys = document.getElementById("keys").offsetHeight / innerHeight;
  const width = Math.max(COLUMNS_PX, LINES_PX / (tall * (1 - keys)));
  const wanted = `width=${Math.ceil(width)}, interactive-widget=resizes-content`;
  const meta = document.querySelector("meta[name=viewport]");
  if (meta.content !== wanted) meta.content = wanted;
}

function letters(button) {
  const field = document.querySelector(".xterm-helper-textarea");
  const on = field.inputMode === "none";
  field.inputMode = on ? "text" : "none";
  button.setAttribute("aria-pressed", String(on));
  field.blur();
  if (on) field.focus();
}

const open = window.onload; // the library's: measures a character, then connects
window.onload = async (event) => {
  fitToScreen();
  matchMedia("(orientation: portrait)").addEventListener("change", () => setTimeout(fitToScreen, 300));
  await document.fonts.load('16px "Roboto Mono"').catch(() => {});
  open(event);
  const field = document.querySelector(".xterm-helper-textarea");
  if (matchMedia("(pointer: coarse)").matches) field.inputMode = "none"; // no keyboard at a tap
  else field.focus();
  for (const button of document.querySelectorAll("#keys button")) {
    button.addEventListener("pointerdown", (press) => press.preventDefault());
    button.addEventListener("click", () => {
      const key = button.dataset.key;
      if (key === "letters") letters(button);
      else if (key === "speech") setSpeech(!speaks);
      else if (socket && socket.readyState === WebSocket.OPEN)
        socket.send(JSON.stringify(["stdin", KEYS[key] ?? key]));
    });
  }
};
