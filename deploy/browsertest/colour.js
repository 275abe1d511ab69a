// Colours, as WCAG 2.2 reckons them ("relative luminance", "contrast ratio"). They stand in window.colour, and only
// tests put them there. A colour has r, g and b of 0 to 255 and a, its alpha, of 0 to 1.
"use strict";
(() => {
  // parse takes what getComputedStyle says.
  const parse = (text) => {
    const n = (text.match(/-?[\d.]+(?:e-?\d+)?/g) || []).map(Number);
    if (n.length < 3) return { r: 0, g: 0, b: 0, a: 0 }; // none
    if (text.startsWith("color(srgb")) return { r: n[0] * 255, g: n[1] * 255, b: n[2] * 255, a: n[3] ?? 1 };
    return { r: n[0], g: n[1], b: n[2], a: n[3] ?? 1 };
  };
  const over = (top, under) => ({ r: top.r * top.a + under.r * (1 - top.a), g: top.g * top.a + under.g * (1 - top.a), b: top.b * top.a + under.b * (1 - top.a), a: 1 });
  // ground is what an element is drawn on: the backgrounds down to the first that hides the rest.
  function ground(e) {
    const layers = [];
    for (let at = e; at; at = at.parentElement) {
      const c = parse(getComputedStyle(at).backgroundColor);
      if (c.a > 0) layers.push(c);
      if (c.a === 1) break;
    }
    return layers.reduceRight((under, top) => over(top, under), { r: 255, g: 255, b: 255, a: 1 });
  }
  // shares are those of red, green and blue in the luminance (IEC 61966-2-1).
  const shares = [0.2126, 0.7152, 0.0722];
  const linear = (v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
  const luminance = (c, of) => of[0] * linear(c.r) + of[1] * linear(c.g) + of[2] * linear(c.b);
  function contrast(a, b, of = shares) {
    const [x, y] = [luminance(a, of), luminance(b, of)];
    return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05);
  }
  window.colour = { parse, over, ground, contrast, shares };
})();
