// A station whose screen was locked, or that shows something else, signs its operator out: signing rights are for
// who stands there. Stop run and attendance go on, since neither needs a sign-in.
"use strict";
(() => {
  const form = () => document.querySelector("form[data-away]");
  let since = 0; // when the page went out of sight
  let clock = 0;

  async function signOut() {
    clearTimeout(clock);
    since = 0;
    const at = form();
    if (!at) return;
    try {
      await fetch(at.action, { method: "POST", credentials: "same-origin", cache: "no-store", keepalive: true, redirect: "manual" });
    } catch { return; } // no server: nothing can be signed without it, and ten idle minutes end the session
    document.dispatchEvent(new CustomEvent("signed-out"));
  }

  document.addEventListener("visibilitychange", () => {
    clearTimeout(clock);
    const at = form();
    const after = at ? Number(at.dataset.away) * 1000 : Infinity;
    if (document.hidden) {
      since = Date.now();
      if (after < Infinity) clock = setTimeout(signOut, after);
    } else if (since && Date.now() - since >= after) signOut(); // asleep, the clock stood still
    else since = 0;
  });
})();
