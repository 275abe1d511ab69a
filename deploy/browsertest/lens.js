// How the page that is open reads through eyewear. It stands in window.throughLens beside window.colour, and only
// tests put it there.
"use strict";
(() => {
  const { parse, over, ground, contrast } = window.colour;
  // What is left of the screen's three colours: their shares in the luminance after a filter took some of
  // them away whole. The light that the glass of the screen throws back, the 0.05 of
  // WCAG's contrast ratio, passes through the same filter.
  const lenses = { none: window.colour.shares, "nothing below 530 nm": [1, 0, 0], "no red": [0, 0.7152 / 0.7874, 0.0722 / 0.7874] };
  const opacity = (e) => { let all = 1; for (let at = e; at; at = at.parentElement) all *= Number(getComputedStyle(at).opacity); return all; };
  const seen = (e) => e.checkVisibility({ visibilityProperty: true, contentVisibilityAuto: true }) && !e.closest(".unseen, .skip, option");
  const name = (e) => (e.closest("[id]")?.id ? `#${e.closest("[id]").id} ` : "") + e.localName + (typeof e.className === "string" && e.className ? "." + e.className.trim().replaceAll(/\s+/g, ".") : e.getAttribute("class") ? "." + e.getAttribute("class") : "");

  // What lies under the middle of a shape within its own picture: the last filled shape drawn before it.
  const shapes = "path, rect, circle, ellipse, line, polyline, polygon";
  const inside = (a, b) => a.left >= b.left - 1 && a.right <= b.right + 1 && a.top >= b.top - 1 && a.bottom <= b.bottom + 1;
  function under(e, picture) {
    let last = ground(picture.ownerSVGElement || picture);
    const own = e.getBoundingClientRect();
    for (const s of picture.querySelectorAll(shapes)) {
      if (s === e || !(s.compareDocumentPosition(e) & Node.DOCUMENT_POSITION_FOLLOWING)) break;
      const style = getComputedStyle(s);
      const fill = parse(style.fill);
      fill.a *= Number(style.fillOpacity) * opacity(s);
      if (style.fill !== "none" && fill.a > 0 && inside(own, s.getBoundingClientRect())) last = over(fill, last);
    }
    return last;
  }

  // What others are drawn on is known by them.
  function carries(s, picture) {
    const own = s.getBoundingClientRect();
    return getComputedStyle(s).fill !== "none" && [...picture.querySelectorAll(shapes)].some((o) => o !== s &&
      s.compareDocumentPosition(o) & Node.DOCUMENT_POSITION_FOLLOWING && inside(o.getBoundingClientRect(), own));
  }

  function look() {
    const faults = new Set();
    const hold = (what, words, colour, on, least) => {
      for (const [lens, shares] of Object.entries(lenses)) {
        const ratio = contrast(colour, on, shares);
        if (ratio < least) faults.add(`${lens}: ${what} ${words} ${ratio.toFixed(2)} to 1, ${least} wanted`);
      }
    };
    // Words: 4.5 to 1, large ones 3 to 1 (WCAG 2.2, 1.4.3).
    const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    let words = 0;
    for (let n = texts.nextNode(); n; n = texts.nextNode()) {
      const e = n.parentElement;
      if (!n.textContent.trim() || e.closest("script, style, select, textarea, title, desc, defs, symbol") || !seen(e) || e.closest(":disabled")) continue;
      const style = getComputedStyle(e);
      const svg = e.closest("svg");
      const colour = parse(svg ? style.fill : style.color);
      colour.a *= opacity(e);
      const on = svg ? under(e, svg) : ground(e);
      const px = parseFloat(style.fontSize) * (svg ? svg.getScreenCTM()?.a ?? 1 : 1);
      hold(name(e), `“${n.textContent.trim().slice(0, 30)}”`, over(colour, on), on, px >= 24 || (px >= 18.66 && Number(style.fontWeight) >= 700) ? 3 : 4.5);
      words++;
    }
    // Fields: what is typed, and the edge by which they are known (1.4.11).
    for (const e of document.querySelectorAll("input:not([type=hidden], [type=radio], [type=checkbox], [type=range]), select, textarea, button, .button")) {
      if (!seen(e) || e.matches(":disabled")) continue;
      const style = getComputedStyle(e);
      const on = ground(e);
      if (e.matches("input, select, textarea")) hold(name(e), "what is typed", over(parse(style.color), on), on, 4.5);
      if (e.matches(".plain") || e.closest(".stop")) continue;
      const around = ground(e.parentElement);
      for (const [lens, shares] of Object.entries(lenses)) {
        const edge = parseFloat(style.borderTopWidth) >= 1 ? contrast(over(parse(style.borderTopColor), around), around, shares) : 1;
        if (Math.max(edge, contrast(on, around, shares)) < 3) faults.add(`${lens}: the edge of ${name(e)}`);
      }
    }
    // Pictures: each shape by its line or its face, 3 to 1 (1.4.11).
    for (const svg of document.querySelectorAll("svg")) {
      if (svg.closest(".signs") || !seen(svg) || svg.getBoundingClientRect().width < 2) continue;
      for (const s of svg.querySelectorAll(shapes)) {
        if (s.closest("defs, symbol, pattern, mask, clipPath") || !seen(s) || s.getAttribute("visibility") === "hidden") continue;
        const style = getComputedStyle(s);
        const on = under(s, svg);
        const all = opacity(s);
        const paints = [];
        if (style.stroke !== "none" && parseFloat(style.strokeWidth) > 0) { const c = parse(style.stroke); c.a *= all * Number(style.strokeOpacity); paints.push(over(c, on)); }
        if (style.fill !== "none" && !style.fill.startsWith("url")) { const c = parse(style.fill); c.a *= all * Number(style.fillOpacity); paints.push(over(c, on)); }
        if (!paints.length) continue;
        for (const [lens, shares] of Object.entries(lenses)) {
          const best = Math.max(...paints.map((p) => contrast(p, on, shares)));
          if (best < 3 && !carries(s, svg)) faults.add(`${lens}: the shape ${name(s)} of ${name(svg)} ${best.toFixed(2)} to 1`);
        }
      }
    }
    // Safety signs: what is drawn on the ground of each differs 3 to 1 from it, and its outline from the page.
    for (const use of document.querySelectorAll("use")) {
      if (!seen(use)) continue;
      const id = use.getAttribute("href").slice(1);
      const parts = [...document.getElementById(id).querySelectorAll(shapes)];
      const page = ground(use.ownerSVGElement);
      const paint = (s) => { const st = getComputedStyle(s); return parse(st.fill !== "none" ? st.fill : st.stroke); };
      // The face is the last of the large shapes; a mark on it differs from it, or lies on a mark.
      const large = parts.filter((s) => { const b = s.getBBox?.(); return getComputedStyle(s).fill !== "none" && b && b.width >= 30 && b.height >= 30; });
      for (const [lens, shares] of Object.entries(lenses)) {
        if (!parts.some((s) => contrast(paint(s), page, shares) >= 3)) faults.add(`${lens}: the outline of ${id} on ${name(use.ownerSVGElement)}`);
        const face = paint(large.at(-1) || parts[0]);
        const marks = parts.slice(parts.indexOf(large.at(-1) || parts[0]) + 1);
        if (marks.length && !marks.some((s) => contrast(paint(s), face, shares) >= 3)) faults.add(`${lens}: what is drawn on ${id}`);
      }
    }
    return JSON.stringify({ Words: words, Faults: [...faults] });
  }
  window.throughLens = { look };
})();
