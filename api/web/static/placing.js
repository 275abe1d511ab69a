// Placing a sheet: hold to move, and the picture of the bed. The worker alone decides how long the carriage
// moves; this script says as often as it can that somebody is still holding, and gives back what it heard last.
"use strict";
(() => {
  const beatGap = 70; // ms between an answer and the next sign of life
  const keys = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "away", ArrowDown: "toward" };
  const panel = () => document.getElementById("placing");
  const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
  let hand = null; // who holds now
  let resting = Promise.resolve(); // until the last hold has come to rest
  let rests = true; // the last hold has
  let last = null; // where the carriage was last said to be

  // ---- The picture.
  function draw() {
    const cross = document.getElementById("carriage");
    if (!cross || !last) return;
    const at = `translate(${last.x} ${-last.y})`;
    if (cross.getAttribute("transform") !== at) cross.setAttribute("transform", at);
    if (cross.getAttribute("visibility") !== "visible") cross.setAttribute("visibility", "visible");
  }
  function say(text) {
    const line = document.getElementById("position");
    if (line && line.textContent !== text) line.textContent = text;
  }
  function show(r, note) {
    last = { x: r.position_x_mm, y: r.position_y_mm };
    draw();
    const beside = document.getElementById("tracing"); // the line about the carriage may be out of sight
    if (note && beside && beside.textContent !== `${note}.`) beside.textContent = `${note}.`;
    say(`Carriage at x ${r.position_x_mm}, y ${r.position_y_mm} mm${r.homed ? "" : ", not homed"}.${note ? ` ${note}.` : ""}`);
  }
  document.addEventListener("carriage", (e) => show(e.detail));
  new MutationObserver(draw).observe(document.getElementById("changes"), { childList: true, subtree: true, attributeFilter: ["transform", "visibility"] });

  // A touch on the bed fills in the point; nothing moves by it.
  document.addEventListener("click", (e) => {
    const bed = e.target.closest?.("#bed");
    const x = document.getElementById("origin-x");
    const y = document.getElementById("origin-y");
    if (!bed || !x || !y) return;
    const at = new DOMPoint(e.clientX, e.clientY).matrixTransform(bed.getScreenCTM().inverse());
    x.value = at.x.toFixed(1);
    y.value = (-at.y).toFixed(1);
    x.dispatchEvent(new Event("input", { bubbles: true }));
  });

  // ---- Hold to move.
  async function put(address, body, options) {
    const r = await fetch(address, { method: "PUT", credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(3000),
      headers: { "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(body), ...options });
    const answer = await r.json();
    if (!r.ok) throw new Error(answer.reasons?.[0]?.what || answer.title || String(r.status));
    return answer;
  }

  const note = (me, r) => (!me.trace ? "" : r.traced ? "The outline is traced" : hand === me ? "Tracing" : "Let go: hold again to go on");

  async function hold(me, address, way) {
    await resting;
    if (hand !== me) return;
    let r;
    const fine = panel()?.querySelector('input[name="pace"]:checked')?.value === "fine";
    try {
      r = await put(address, way.trace ? way : { ...way, fine });
      while (hand === me) {
        r = await put(address, { grip: r.grip, tick: r.tick });
        if (hand === me) show(r, note(me, r));
        if (r.traced) return;
        await sleep(beatGap);
      }
    } catch (problem) {
      say(problem.name === "TimeoutError" || problem instanceof TypeError ? "The server does not answer; the carriage rests." : `${problem.message}.`);
    } finally {
      if (hand === me) letGo();
    }
    if (!r || r.traced) return;
    try {
      r = await put(address, { grip: r.grip, tick: r.tick, release: true }, { keepalive: true });
      show(r, note(me, r));
    } catch (problem) {
      if (!(problem instanceof TypeError)) say(`${problem.message}.`);
    }
  }

  function take(way) {
    const address = panel()?.dataset.hold;
    if (!address || hand) return;
    const me = { way: way.way, trace: way.trace };
    hand = me;
    mark();
    const done = hold(me, address, way);
    rests = false;
    const over = done.catch(() => {}).then(() => { if (resting === over) rests = true; });
    resting = over;
  }
  function letGo() {
    hand = null;
    mark();
  }
  function mark() {
    for (const b of document.querySelectorAll("[data-way], [data-trace]")) b.classList.toggle("held", !!hand && hand.way === b.dataset.way && hand.trace === b.dataset.trace);
  }

  // What is pressed while the carriage still comes to rest is done when it has: the machine would be busy.
  document.addEventListener("submit", (e) => {
    if (rests || !panel()?.contains(e.target)) return;
    e.preventDefault();
    e.stopImmediatePropagation();
    const form = e.target;
    const by = e.submitter;
    resting.then(() => form.isConnected && form.requestSubmit(by));
  }, true);

  const button = (e) => e.target.closest?.("[data-way], [data-trace]");
  const wayOf = (b) => (b.dataset.trace ? { trace: b.dataset.trace } : { way: b.dataset.way });
  document.addEventListener("pointerdown", (e) => {
    const b = button(e);
    if (!b || e.button !== 0) return;
    e.preventDefault();
    b.focus({ preventScroll: true });
    try { b.setPointerCapture(e.pointerId); } catch { /* a made-up pointer cannot be captured */ }
    take(wayOf(b));
  });
  for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) document.addEventListener(end, (e) => { if (hand && !hand.key) letGo(); });
  document.addEventListener("contextmenu", (e) => { if (button(e)) e.preventDefault(); });
  document.addEventListener("keydown", (e) => {
    const b = button(e);
    const press = e.key === " " || e.key === "Enter";
    const way = b && (press ? wayOf(b) : b.dataset.way && keys[e.key] && { way: keys[e.key] });
    if (!way || e.ctrlKey || e.altKey || e.metaKey) return;
    e.preventDefault();
    if (e.repeat || hand) return;
    take(way);
    if (hand) hand.key = e.key;
  });
  document.addEventListener("keyup", (e) => { if (hand?.key === e.key) letGo(); });
  document.addEventListener("focusout", (e) => { if (button(e)) letGo(); });
  document.addEventListener("visibilitychange", () => { if (document.hidden) letGo(); });
  for (const end of ["blur", "pagehide"]) window.addEventListener(end, letGo);
})();
