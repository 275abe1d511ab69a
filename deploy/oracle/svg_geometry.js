// Called on the root element; then the page size in mm for roots that have none of their own, and
// the elements to measure. Everything below comes from the browser: computed style, lengths, points
// on the outline, bounding boxes, and the matrix onto the page.
function (widthMM, heightMM, ...elements) {
  const root = this.nodeName === "svg" || this.localName === "svg" ? this : this.ownerDocument.documentElement;
  const absolute = (name) => {
    const text = root.style[name] || root.getAttribute(name) || "";
    return text !== "" && text !== "auto" && !text.endsWith("%");
  };
  const fixed = absolute("width") || absolute("height");
  if (!absolute("width") || !absolute("height")) {
    root.setAttribute("width", widthMM + "mm");
    root.setAttribute("height", heightMM + "mm");
  }
  const none = (paint) => {
    const reference = /^url\("?#([^")]*)"?\)\s*(.*)$/.exec(paint);
    if (reference) {
      const server = root.ownerDocument.getElementById(reference[1]);
      const paints = server && ["linearGradient", "radialGradient", "pattern"].includes(server.localName);
      return !paints && (reference[2] === "" || none(reference[2]));
    }
    return paint === "none" || /^rgba\(.*, 0\)$/.test(paint);
  };
  const numbers = (m) => [m.a, m.b, m.c, m.d, m.e, m.f];
  const up = (e) => e.parentNode && (e.parentNode.host || e.parentNode);
  const framed = (e) => { // no frame around it is empty
    for (let f = up(e); f && f.localName; f = up(f)) {
      if ((f.localName === "svg" || f.localName === "symbol") && f.getBoundingClientRect &&
          (f.width && f.width.baseVal.value === 0 || f.height && f.height.baseVal.value === 0)) return false;
    }
    return true;
  };
  // Chromium's getScreenCTM leaves out what moves an instance of use, and the viewBox of a symbol.
  // Where its layout puts the element tells both, as the parts left out turn nothing. Elsewhere matrix
  // and layout must agree.
  const placed = (e, b, m) => {
    const laid = e.getBoundingClientRect();
    const instance = e.getRootNode() instanceof ShadowRoot;
    const frame = () => {
      const corners = [[b.x, b.y], [b.x + b.width, b.y], [b.x, b.y + b.height], [b.x + b.width, b.y + b.height]]
        .map(([x, y]) => new DOMPoint(x, y).matrixTransform(m));
      const xs = corners.map((p) => p.x), ys = corners.map((p) => p.y);
      const x = Math.min(...xs), y = Math.min(...ys);
      return { x, y, width: Math.max(...xs) - x, height: Math.max(...ys) - y };
    };
    let f = frame();
    if (instance) {
      let sx = f.width > 0 ? laid.width / f.width : 0, sy = f.height > 0 ? laid.height / f.height : 0;
      sx ||= sy; sy ||= sx;
      m = new DOMMatrix([m.a * sx, m.b * sy, m.c * sx, m.d * sy, m.e * sx, m.f * sy]);
      f = frame();
      m = new DOMMatrix([m.a, m.b, m.c, m.d, m.e + laid.x - f.x, m.f + laid.y - f.y]);
      f = frame();
    }
    const off = Math.abs(f.x - laid.x) + Math.abs(f.y - laid.y) + Math.abs(f.width - laid.width) + Math.abs(f.height - laid.height);
    if (off > 0.02 + 1e-4 * (laid.width + laid.height)) throw new Error(e.outerHTML + ": matrix and layout differ by " + off);
    return m;
  };
  const size = root.getBoundingClientRect();
  const out = { Width: root.width.baseVal.value, Height: root.height.baseVal.value, Shapes: [], Images: [], Effects: [] };
  const effects = new Set();
  for (const e of elements) {
    if (!(e instanceof SVGElement) || e.getClientRects().length === 0 || size.width === 0 || size.height === 0 || !framed(e)) continue;
    const style = getComputedStyle(e);
    const shown = style.visibility === "visible";
    let m = e.getScreenCTM ? e.getScreenCTM() : null;
    if (!m || m.a * m.d === m.b * m.c) continue;
    const drawn = shown && (e instanceof SVGGeometryElement || ["text", "image", "foreignObject"].includes(e.localName));
    for (const [name, property] of [["clip-path", "clipPath"], ["mask", "mask"], ["filter", "filter"]]) {
      if (style[property] && style[property] !== "none" && e.hasChildNodes() | drawn) effects.add(name);
    }
    if (drawn && ["text", "foreignObject"].includes(e.localName) && e.getBBox().width > 0) effects.add(e.localName);
    if (shown && e.localName === "image" && e.getAttributeNode) {
      const b = e.getBBox();
      if (b.width > 0 && b.height > 0) m = placed(e, b, m);
      if (b.width > 0 && b.height > 0) out.Images.push({ Box: [b.x, b.y, b.width, b.height], CTM: numbers(m) });
    }
    if (!(e instanceof SVGGeometryElement) || !shown || none(style.fill) && none(style.stroke)) continue;
    const length = e.getTotalLength();
    const b = e.getBBox();
    if (!(length > 0) || e.localName === "rect" && !(b.width > 0 && b.height > 0)) continue;
    if (!none(style.stroke) && /[1-9]/.test(style.strokeDasharray)) effects.add("dash");
    if (/^(path|line|polyline|polygon)$/.test(e.localName)) {
      for (const property of ["markerStart", "markerMid", "markerEnd"]) {
        if (style[property] !== "none") effects.add("marker");
      }
    }
    m = placed(e, b, m);
    // A test that needs points at most so many px apart says so on the root.
    const step = Number(root.getAttribute("data-step"));
    const n = step > 0 ? Math.max(96, Math.ceil(length * Math.hypot(m.a, m.b) / step)) : 96;
    const points = [];
    for (let i = 0; i <= n; i++) {
      const at = e.getPointAtLength(length * i / n);
      const p = new DOMPoint(at.x, at.y).matrixTransform(m);
      points.push([p.x, p.y]);
    }
    // A test that needs to know what is filled says so on a group: a point for each step.
    const filled = [];
    if (step > 0 && !none(style.fill) && e.closest("[data-filled]")) {
      const d = step / Math.hypot(m.a, m.b);
      for (let y = b.y; y <= b.y + b.height; y += d) {
        for (let x = b.x; x <= b.x + b.width; x += d) {
          if (!e.isPointInFill(new DOMPoint(x, y))) continue;
          const p = new DOMPoint(x, y).matrixTransform(m);
          filled.push([p.x, p.y]);
        }
      }
    }
    out.Shapes.push({ Name: e.localName + (e.id ? " " + e.id : ""), Length: length, Points: points, Filled: filled,
      Box: [b.x, b.y, b.width, b.height], CTM: numbers(m) });
  }
  out.Effects = [...effects];
  return out;
}
