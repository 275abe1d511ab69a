// What of the words on the page that is open is cut: it stands in window.cutWords, and only tests put it there.
"use strict";
(() => {
  const seen = (e) => e.checkVisibility({ visibilityProperty: true, opacityProperty: true, contentVisibilityAuto: true }) && !e.closest(".unseen, .skip, option, script, style, title, desc, defs, symbol, textarea");
  const name = (e) => (e.closest("[id]")?.id ? `#${e.closest("[id]").id} ` : "") + e.localName + (typeof e.className === "string" && e.className ? "." + e.className.trim().replaceAll(/\s+/g, ".") : "");
  const lines = (range) => new Set([...range.getClientRects()].filter((r) => r.width > 0).map((r) => Math.round(r.top))).size;
  // A word of this many letters stands in one line; what is longer is an address, a digest or a file's name.
  const longest = 16;

  function look() {
    const faults = new Set();
    const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    const range = document.createRange();
    for (let n = texts.nextNode(); n; n = texts.nextNode()) {
      const e = n.parentElement;
      if (!n.textContent.trim() || !seen(e) || e.closest("svg, .exact, code")) continue;
      for (const m of n.textContent.matchAll(/[\p{L}\p{N}]+/gu)) {
        if (m[0].length < 2 || m[0].length > longest) continue;
        range.setStart(n, m.index);
        range.setEnd(n, m.index + m[0].length);
        if (lines(range) > 1) faults.add(`${name(e)}: the word “${m[0]}” is broken`);
      }
    }
    for (const e of document.querySelectorAll("body *")) {
      if (!seen(e)) continue;
      const style = getComputedStyle(e);
      if (style.overflowX !== "visible" && e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1 && !e.matches("input, select, textarea, pre, .scrolls") && !["auto", "scroll"].includes(style.overflowX))
        faults.add(`${name(e)}: “${e.innerText.trim().slice(0, 40)}” is cut off after ${e.clientWidth} of ${e.scrollWidth} px`);
    }
    return JSON.stringify([...faults]);
  }
  window.cutWords = { look };
})();
