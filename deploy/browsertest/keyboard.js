// What Tab reaches on the page that is open, and how it looks there. It stands in window.byKeyboard beside
// window.colour, and only tests put it there.
"use strict";
(() => {
  const usable = 'a[href], button, input, select, textarea, summary, [tabindex="0"]';
  const seen = (e) => e.checkVisibility({ visibilityProperty: true, contentVisibilityAuto: true });

  // What is shown for a control that is itself too small to be seen: a radio button's words.
  function shown(e) {
    const own = e.getBoundingClientRect();
    if (own.width > 2 && own.height > 2 && getComputedStyle(e).opacity !== "0") return e;
    return e.closest("label")?.querySelector("span") || e.closest("label") || e;
  }

  // A focus is seen by an outline of at least 2 px that differs 3 to 1 from what it lies on (WCAG 2.2, 2.4.13
  // is AAA; here it is house rule).
  function ringed(e) {
    return [e, shown(e), e.closest("label"), e.parentElement].some((on) => {
      if (!on) return false;
      const s = getComputedStyle(on);
      if (s.outlineStyle === "none" || s.outlineStyle === "auto" || parseFloat(s.outlineWidth) < 2) return false;
      return colour.contrast(colour.parse(s.outlineColor), colour.ground(parseFloat(s.outlineOffset) < 0 ? on : on.parentElement || on)) >= 3;
    });
  }

  const box = (e) => {
    const r = [...e.getClientRects()].find((r) => r.width > 0 && r.height > 0) || e.getBoundingClientRect();
    return { left: r.left, right: r.right, top: r.top, bottom: r.bottom, width: r.width, height: r.height };
  };

  // Something else lies over the middle of what can be seen of it (WCAG 2.2, 2.4.11).
  function covered(e) {
    const r = box(shown(e));
    const x = (Math.max(0, r.left) + Math.min(innerWidth, r.right)) / 2;
    const y = (Math.max(0, r.top) + Math.min(innerHeight, r.bottom)) / 2;
    const top = document.elementFromPoint(x, y);
    if (!top) return "outside of the window";
    if (top === e || shown(e).contains(top) || e.contains(top) || top.contains(e)) return "";
    return `covered by ${name(top)}`;
  }

  // A link within a sentence is as small as the sentence makes it (WCAG 2.2, 2.5.8, "inline").
  const inSentence = (e) => e.localName === "a" && getComputedStyle(e).display === "inline" &&
    [...e.parentElement.childNodes].some((n) => n !== e && n.textContent.trim() !== "");

  // The smallest that a target may be, in CSS px: 24 by WCAG 2.2, 2.5.8; where a gloved hand works, 64 (15 mm).
  function least(e) {
    if (!document.body.classList.contains("station")) return 24;
    return e.closest("#main, #alone, .stop") ? 64 : 24;
  }
  // Of a group of radio buttons Tab reaches one, and a thumb all.
  const group = (e) => (e.matches("input[type=radio]") ? [...(e.form || document).querySelectorAll(`input[type=radio][name="${CSS.escape(e.name)}"]`)] : [e]).filter((o) => seen(o) || seen(shown(o)));
  function small(e) {
    if (inSentence(e) || e.matches(".skip")) return "";
    const r = box(shown(e));
    if (e.matches("input[type=radio], input[type=checkbox]") && e.closest("label")) Object.assign(r, box(e.closest("label")));
    const px = least(e);
    // Half a pixel is rounding.
    if (r.height >= px - 0.5 && r.width >= px - 0.5) return "";
    if (px === 24 && r.height >= 16 && alone(e, r)) return "";
    return `${Math.round(r.width)} × ${Math.round(r.height)} px, ${px} are wanted`;
  }
  // The other way to meet 2.5.8: no other target within a circle of 24 px on its middle.
  function alone(e, r) {
    const [x, y] = [(r.left + r.right) / 2, (r.top + r.bottom) / 2];
    return stops.every((o) => {
      if (o === e) return true;
      const q = box(shown(o));
      return Math.hypot(Math.max(q.left - x, 0, x - q.right), Math.max(q.top - y, 0, y - q.bottom)) >= 12;
    });
  }
  // On the station a thumb that misses by some px meets nothing else.
  function crowded(e) {
    if (least(e) !== 64 || inSentence(e)) return "";
    const r = box(shown(e));
    for (const o of stops.flatMap(group)) {
      if (o === e || least(o) !== 64 || inSentence(o) || shown(o).contains(shown(e)) || shown(e).contains(shown(o)) || o.closest(".stop") || e.closest(".stop")) continue;
      const q = box(shown(o));
      const gap = Math.max(q.left - r.right, r.left - q.right, q.top - r.bottom, r.top - q.bottom);
      if (gap < 4) return `${Math.round(gap)} px from ${name(o)}`;
    }
    return "";
  }

  const name = (e) => (e.id ? `#${e.id}` : e.localName + (e.className && e.className.baseVal === undefined ? "." + e.className.trim().replaceAll(/\s+/g, ".") : "")) +
    ` “${(e.innerText || e.value || e.getAttribute("aria-label") || "").trim().slice(0, 40)}”`;

  let stops = [];
  let before = null;

  // begin opens what can be opened, and says how many stops Tab has to make; other is what a mouse can
  // press and Tab never reaches.
  function begin() {
    for (const d of document.querySelectorAll("details")) { d.removeAttribute("name"); d.open = true; }
    const groups = new Set();
    stops = [...document.querySelectorAll(usable)].filter((e) => {
      if (e.matches(":disabled, input[type=hidden]") || e.closest("[inert]")) return false;
      if (!seen(e) && !(e.matches("input") && seen(shown(e)))) return false;
      if (!e.matches("input[type=radio]")) return true;
      const key = [...document.forms].indexOf(e.form) + " " + e.name; // Tab reaches one of them, arrow keys the rest
      if (groups.has(key) || group(e).some((o) => o.checked) && !e.checked) return false;
      groups.add(key);
      return true;
    });
    before = null;
    const other = [...document.querySelectorAll("body *")].filter((e) => getComputedStyle(e).cursor === "pointer" && seen(e) &&
      getComputedStyle(e.parentElement).cursor !== "pointer" && !e.closest(usable) && !e.closest("label")).map(name);
    // Tab goes on from here: before everything.
    const first = document.createElement("span");
    first.tabIndex = -1;
    document.body.prepend(first);
    first.focus();
    first.remove();
    scrollTo(0, 0);
    // A date is several stops: day, month, year, calendar.
    const dates = stops.filter((e) => e.matches("input[type=date], input[type=month], input[type=time], input[type=datetime-local]")).length;
    return JSON.stringify({ Stops: stops.length, Presses: stops.length + 6 * dates + 3, Other: other });
  }

  // step says where the focus is now: which stop, and what is wrong there.
  function step() {
    const e = document.activeElement;
    let at = stops.indexOf(e);
    if (at < 0 && e?.matches?.("input[type=radio]")) at = stops.findIndex((o) => o.matches("input[type=radio]") && o.name === e.name && o.form === e.form);
    if (at < 0) return JSON.stringify({ At: -1, Name: e ? name(e) : "", Faults: [] });
    const faults = [];
    if (!ringed(e)) faults.push("no outline of 2 px and 3 to 1");
    for (const words of [covered(e), ...group(e).flatMap((o) => [small(o), crowded(o)])]) if (words) faults.push(words);
    // Reading order: the next stop in the same column is not higher up, and in the same row not further left.
    const r = box(shown(e));
    const now = { e, left: r.left + scrollX, right: r.right + scrollX, top: r.top + scrollY, bottom: r.bottom + scrollY };
    const lifted = (x) => { for (let a = x; a; a = a.parentElement) if (["fixed", "absolute"].includes(getComputedStyle(a).position) && !a.matches("input")) return true; return false; };
    if (before && !lifted(e) && !lifted(before.e)) {
      const sameColumn = Math.min(before.right, now.right) - Math.max(before.left, now.left) > 4;
      // What waits on the board stands towards its gate: from right to left, and up from the floor.
      const queued = e.closest(".queue");
      if (sameColumn && now.bottom <= before.top + 1 && !queued) faults.push(`stands above ${name(before.e)}, which comes before it`);
      const sameRow = Math.min(before.bottom, now.bottom) - Math.max(before.top, now.top) > 4;
      if (sameRow && now.right <= before.left + 1 && !queued) faults.push(`stands left of ${name(before.e)}, which comes before it`);
    }
    before = now;
    return JSON.stringify({ At: at, Name: name(e), Faults: faults });
  }
  const missing = (reached) => JSON.stringify(stops.filter((_, i) => !reached.includes(i)).map(name));
  window.byKeyboard = { begin, step, missing };
})();
