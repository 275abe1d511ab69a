// Steps and plays through a plan: moves the carriage in its picture in machine time, shows what has come
// loose, and marks the piece in the strip. Without this script picture and strip stand still.
"use strict";
(() => {
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  const svg = "http://www.w3.org/2000/svg";
  const chunk = 200; // places drawn by one path, so that a frame draws only the last anew
  const players = new WeakMap();

  const clock = (ms) => {
    const s = Math.round(ms / 1000);
    return s < 60 ? `${s} s` : `${Math.floor(s / 60)} min ${s % 60} s`;
  };

  class Player {
    constructor(root) {
      this.root = root;
      this.address = root.dataset.steps;
      this.at = 0;
      this.playing = 0;
    }
    part(name) { return this.root.querySelector(`[data-part="${name}"]`); }

    // The steps are fetched when somebody first asks for them.
    async ready() {
      if (this.data) return true;
      try {
        const answer = await fetch(this.address, { headers: { Accept: "application/json" } });
        if (!answer.ok) throw new Error(answer.statusText);
        this.data = await answer.json();
      } catch {
        this.part("said").textContent = "The steps did not arrive; try again.";
        return false;
      }
      const time = this.part("time");
      time.max = this.data.total_ms;
      time.step = Math.max(1, Math.round(this.data.total_ms / 1000));
      return true;
    }

    show() { // puts back what a swap of the page took away
      this.part("controls").hidden = false;
      if (this.data) {
        this.part("time").max = this.data.total_ms;
        this.draw();
      }
    }

    seek(ms) {
      this.at = Math.max(0, Math.min(this.data.total_ms, ms));
      this.draw();
    }

    step(by) {
      const ends = [0, ...this.data.steps.map((s) => s.to_ms)];
      const next = by > 0 ? ends.find((ms) => ms > this.at) : ends.findLast((ms) => ms < this.at);
      this.seek(next ?? (by > 0 ? this.data.total_ms : 0));
    }

    toggle() {
      if (this.playing) return this.pause();
      if (this.at >= this.data.total_ms) this.at = 0;
      this.part("play").textContent = "Pause";
      this.playing = requestAnimationFrame((now) => this.frame(now, now));
    }

    pause() {
      cancelAnimationFrame(this.playing);
      this.playing = 0;
      this.part("play").textContent = "Play";
    }

    frame(now, before) {
      if (!this.root.isConnected) { this.playing = 0; return; }
      if (still.matches) { // from step to step, without anything gliding
        if (now - before > 1000) { this.step(1); before = now; }
      } else {
        this.seek(this.at + (now - before) * Number(this.part("pace").value || 1));
        before = now;
      }
      if (this.at >= this.data.total_ms) return this.pause();
      this.playing = requestAnimationFrame((later) => this.frame(later, before));
    }

    draw() {
      const { steps, track } = this.data;
      const picture = this.root.querySelector(".sheet-picture svg.plan");
      let k = track.ms.findIndex((ms) => ms > this.at); // the place that the carriage is on the way to
      if (k < 0) k = track.ms.length;
      let x = track.x_mm[Math.max(0, k - 1)], y = track.y_mm[Math.max(0, k - 1)];
      if (k > 0 && k < track.ms.length && track.ms[k] > track.ms[k - 1]) {
        const t = (this.at - track.ms[k - 1]) / (track.ms[k] - track.ms[k - 1]);
        x += t * (track.x_mm[k] - x);
        y += t * (track.y_mm[k] - y);
      }
      const carriage = picture.querySelector(".carriage");
      carriage.setAttribute("visibility", "visible");
      carriage.setAttribute("cx", x);
      carriage.setAttribute("cy", y);
      this.trail(picture, k, x, y);
      this.root.classList.toggle("under-way", this.at > 0 && this.at < this.data.total_ms);

      const done = steps.filter((s) => s.to_ms <= this.at);
      const loose = new Set(done.flatMap((s) => s.pieces));
      const now = steps.find((s) => s.to_ms > this.at);
      const next = new Set(now ? now.pieces : []);
      for (const g of this.root.querySelectorAll("[data-piece]")) {
        const n = Number(g.dataset.piece);
        g.classList.toggle("out", loose.has(n));
        g.classList.toggle("next", next.has(n));
      }
      this.keepInSight(next.size ? Math.min(...next) : 0);
      this.part("time").value = this.at;
      const freed = [...next].join(", ");
      const words = now ? `step ${done.length + 1} of ${steps.length}, ${now.operation}${freed ? `, frees ${freed}` : ""}` : "done";
      this.part("time").setAttribute("aria-valuetext", `${clock(this.at)}, ${words}`);
      this.part("said").textContent = `${clock(this.at)} of ${clock(this.data.total_ms)}: ${words}; ${loose.size} loose`;
    }

    // trail draws what the tool has done so far.
    trail(picture, k, x, y) {
      const { track } = this.data;
      let layer = picture.querySelector(".done-so-far");
      if (!layer) {
        layer = document.createElementNS(svg, "g");
        layer.setAttribute("class", "done-so-far");
        for (let i = 0; i < track.ms.length; i += chunk) layer.append(document.createElementNS(svg, "path"));
        picture.querySelector(".carriage").before(layer);
      }
      [...layer.children].forEach((path, i) => {
        const from = i * chunk, to = Math.min(k, from + chunk);
        if (path.dataset.to === String(to) && to < k) return; // drawn already
        let d = "";
        for (let j = from; j < to; j++) {
          if (j > 0 && track.on[j]) d += `M${track.x_mm[j - 1]} ${track.y_mm[j - 1]}L${track.x_mm[j]} ${track.y_mm[j]}`;
        }
        if (to === k && k > from && k < track.ms.length && track.on[k]) d += `M${track.x_mm[k - 1]} ${track.y_mm[k - 1]}L${x} ${y}`;
        path.dataset.to = String(Math.max(from, to));
        path.setAttribute("d", d);
      });
    }

    keepInSight(piece) {
      const strip = this.root.querySelector(".strip-picture");
      const cell = strip && piece && strip.querySelector(`.strip-step[data-piece="${piece}"]`);
      if (!cell || piece === this.inSight) return;
      this.inSight = piece;
      const box = cell.getBoundingClientRect(), all = strip.getBoundingClientRect();
      if (box.left < all.left || box.right > all.right) strip.scrollLeft += box.left - all.left - all.width / 3;
    }
  }

  const of = (element) => {
    const root = element.closest?.(".player");
    return root && players.get(root);
  };
  const act = async (player, what) => { if (await player.ready()) what(player); };

  const find = () => {
    for (const root of document.querySelectorAll(".player[data-steps]")) {
      const known = players.get(root);
      if (!known || known.address !== root.dataset.steps) players.set(root, new Player(root));
      players.get(root).show();
    }
  };

  document.addEventListener("click", (e) => {
    const player = of(e.target);
    if (!player) return;
    const part = e.target.closest("[data-part]")?.dataset.part;
    const cell = e.target.closest(".strip-step");
    if (part === "back") act(player, (p) => { p.pause(); p.step(-1); });
    else if (part === "on") act(player, (p) => { p.pause(); p.step(1); });
    else if (part === "play") act(player, (p) => p.toggle());
    else if (cell) act(player, (p) => {
      const s = p.data.steps.find((step) => step.pieces.includes(Number(cell.dataset.piece)));
      if (s) { p.pause(); p.seek(s.to_ms); }
    });
  });
  document.addEventListener("input", (e) => {
    const player = e.target.dataset?.part === "time" && of(e.target);
    if (!player) return;
    const asked = Number(e.target.value) / (Number(e.target.max) || 1); // before the steps arrive it is a share
    act(player, (p) => { p.pause(); p.seek(asked * p.data.total_ms); });
  });
  document.addEventListener("keydown", (e) => {
    const player = e.target.matches?.(".strip-picture") && of(e.target);
    const by = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (!player || !by) return;
    e.preventDefault();
    act(player, (p) => { p.pause(); p.step(by); });
  });
  document.addEventListener("htmx:afterSwap", find);
  document.addEventListener("htmx:afterSettle", find);
  find();
})();
