// Attendance as it is heard and as it is answered without a hand on the screen: tones in its last seconds,
// and any key that does nothing else here, so that a foot switch made as a keyboard counts.
"use strict";
(() => {
  const lead = 15; // s before attendance is missed
  const hurry = 5; // s from which it sounds twice as often
  let sound = null;
  let sounded = -1; // the second that has had its tones

  // A browser lets a page sound only after somebody touched it or pressed a key.
  function wake() {
    try { sound ??= new AudioContext(); } catch { return; }
    if (sound.state === "suspended") sound.resume().catch(() => { /* told below */ });
  }
  document.addEventListener("pointerdown", wake);

  // Both tones lie where ISO 7731 (from memory) wants the main parts of a danger signal: 500 to 2500 Hz.
  function tone(hertz, after) {
    const from = sound.currentTime + after;
    const pitch = sound.createOscillator();
    const loud = sound.createGain();
    pitch.type = "square";
    pitch.frequency.value = hertz;
    loud.gain.setValueAtTime(0.5, from);
    loud.gain.setValueAtTime(0, from + 0.14);
    pitch.connect(loud).connect(sound.destination);
    pitch.start(from);
    pitch.stop(from + 0.15);
  }

  // The station's script says as often as it knows how many seconds are left.
  document.addEventListener("attendance", (e) => {
    const left = e.detail;
    const silent = document.querySelector('[data-live="sound"]');
    const can = sound?.state === "running";
    if (silent && silent.hidden !== can) silent.hidden = can;
    if (left > lead || left <= 0 || left === sounded) {
      if (left > lead) sounded = -1;
      return;
    }
    sounded = left;
    if (!can) return;
    for (let at = 0; at < 1; at += left <= hurry ? 0.5 : 1) {
      tone(1000, at);
      tone(1500, at + 0.17);
    }
  });

  const still = new Set(["Tab", "Escape", "Shift", "Control", "Alt", "AltGraph", "Meta", "CapsLock", "NumLock", "ScrollLock", "Dead", "Unidentified",
    "ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"]);
  document.addEventListener("keydown", (e) => {
    wake();
    // A key that something lies on repeats: that is nobody's answer.
    if (e.repeat || e.ctrlKey || e.altKey || e.metaKey || e.defaultPrevented || still.has(e.key)) return;
    const button = document.querySelector("#alone:not([hidden]) [data-attend]:not([hidden])") || document.getElementById("attend");
    const on = e.target;
    if (!button || on.closest?.("input, select, textarea")) return;
    if ((e.key === "Enter" || e.key === " ") && on.closest?.("button, a, summary")) return; // it presses what has the focus
    e.preventDefault();
    button.click();
  });
})();
