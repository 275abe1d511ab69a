// The station's own script: Stop run, attendance, the forms, and what the machine says right now.
// Stop and attendance come first and depend on nothing that follows them.
"use strict";
(() => {
  const page = document.getElementById("station");
  const machine = page.dataset.machine;
  const worker = page.dataset.worker.replace(/\/$/, "");
  const pad = (n) => String(n).padStart(2, "0");
  const clock = (d = new Date()) => `${pad(d.getHours())}:${pad(d.getMinutes())}:${pad(d.getSeconds())}`;

  // ---- Stop run: on touch-down, both ways at once, no sign-in, never waiting for an answer.
  const stop = document.getElementById("stop");
  const stopped = document.getElementById("stopped");
  let pressedAt = 0;

  function sayStopped(lines) {
    stopped.hidden = false;
    const eyewear = stopped.dataset.eyewear;
    stopped.replaceChildren(...lines.concat(eyewear || []).map((text) => {
      const line = document.createElement("span");
      line.textContent = text;
      return line;
    }));
  }

  function pressStop() {
    const at = clock();
    pressedAt = Date.now();
    const press = pressedAt;
    const heard = { worker: null, server: null };
    const say = () => {
      if (press !== pressedAt) return; // a later press speaks now
      if (heard.worker) sayStopped([`off sent ${heard.worker.at}`]);
      else if (heard.worker === false && heard.server === false) sayStopped(["nobody answered: press the machine’s red button"]);
      else if (heard.server) sayStopped([`server asked ${at}`, heard.worker === false ? "the worker has not answered: press the machine’s red button" : "waiting for the machine"]);
      else sayStopped([`stop pressed ${at}`]);
    };
    say();
    const options = { method: "POST", keepalive: true, cache: "no-store" };
    const within = (ms) => ({ signal: AbortSignal.timeout(ms) });
    if (worker) {
      fetch(`${worker}/stop`, { ...options, ...within(4000), mode: "cors", credentials: "omit" })
        .then(async (r) => {
          if (!r.ok) throw new Error(String(r.status));
          const said = await r.json();
          if (said.problem) throw new Error(said.problem);
          heard.worker = { at: said.off_sent ? clock(new Date(said.off_sent)) : clock() };
        })
        .catch(() => { heard.worker = false; }).finally(say);
    } else heard.worker = false;
    fetch(`/api/v1/machines/${machine}/stop`, { ...options, ...within(4000), credentials: "same-origin" })
      .then((r) => { heard.server = r.ok; })
      .catch(() => { heard.server = false; }).finally(say);
  }

  stop.addEventListener("pointerdown", (e) => { e.preventDefault(); pressStop(); });
  // A click without a touch-down before it comes from the keyboard or from an assistive tool.
  stop.addEventListener("click", (e) => {
    e.preventDefault();
    if (Date.now() - pressedAt > 1500) pressStop();
  });

  // ---- Attendance: the token is handed out once, at the signature, and stays in this page.
  const shelf = `attendance ${machine}`;
  let attendance = null;
  try { attendance = JSON.parse(sessionStorage.getItem(shelf)); } catch { attendance = null; }

  function keepToken(run, token, where) {
    attendance = { run, token, where: (where || worker).replace(/\/$/, "") };
    // Without storage the token lives as long as this page.
    try { sessionStorage.setItem(shelf, JSON.stringify(attendance)); } catch { /* kept in the variable */ }
  }

  let saidAt = 0; // when a tap was last answered
  async function tap() {
    const words = alone.hidden ? document.querySelector('[data-live="attend-words"]') : alone.querySelector("p");
    const say = (text) => { saidAt = Date.now(); if (words) words.textContent = text; };
    const run = (lost && machineRun) || current().run;
    if (!attendance || (run && attendance.run !== run)) {
      say("This page did not sign this run; tap where it was signed.");
      return;
    }
    const at = clock();
    try {
      const answer = await fetch(`${worker}/attend`, {
        method: "POST", mode: "cors", credentials: "omit", cache: "no-store", keepalive: true,
        headers: { "Content-Type": "text/plain" }, body: JSON.stringify({ token: attendance.token }), signal: AbortSignal.timeout(4000),
      });
      const heard = await answer.json();
      if (!heard.taken) { say("The machine does not know this page’s token; tap where the run was signed."); return; }
      say(`heard ${at}`);
      if (heard.attendance_s >= 0) deadlines.attendance = Date.now() + heard.attendance_s * 1000;
      tick();
    } catch {
      say(`not heard ${at}: tap again, or press Stop run`);
    }
  }
  document.addEventListener("pointerdown", (e) => {
    if (e.target.closest?.("#attend, [data-attend]")) { tappedAt = Date.now(); tap(); }
  });
  let tappedAt = 0;
  document.addEventListener("click", (e) => {
    if (e.target.closest?.("#attend, [data-attend]") && Date.now() - tappedAt > 1500) tap();
  });

  // ---- What the machine says right now.
  const live = (name) => document.querySelector(`[data-live="${name}"]`);
  const current = () => {
    const bay = document.querySelector(".bay");
    return { run: bay?.dataset.run || "", phase: bay?.dataset.phase || "" };
  };
  const deadlines = { attendance: 0, purge: 0, countdown: 0 };
  let newsAt = 0;
  let machineRun = ""; // as its worker says
  let warned = false;

  function duration(ms) {
    const s = Math.round(ms / 1000);
    if (s < 60) return `${s} s`;
    if (s < 3600) return s % 60 ? `${Math.floor(s / 60)} min ${s % 60} s` : `${s / 60} min`;
    const m = Math.round(s / 60);
    return m % 60 ? `${Math.floor(m / 60)} h ${m % 60} min` : `${m / 60} h`;
  }
  const set = (el, text) => { if (el && el.textContent !== text) el.textContent = text; };
  const until = (t) => Math.max(0, Math.ceil((t - Date.now()) / 1000));

  const tellLeft = (seconds) => document.dispatchEvent(new CustomEvent("attendance", { detail: seconds })); // attend.js sounds

  function tick() {
    const box = document.querySelector(".attend");
    if (box && deadlines.attendance) {
      const left = until(deadlines.attendance);
      const grace = Number(box.dataset.grace);
      set(live("attendance"), `${left} s`);
      tellLeft(left);
      box.classList.toggle("late", left <= grace);
      if (left <= grace && !warned) {
        warned = true;
        set(live("attend-words"), "tap now, or the run pauses");
        navigator.vibrate?.([200, 100, 200]);
      }
      if (left > grace) warned = false; // the tap that did it has said so
    }
    if (deadlines.purge) set(live("purge"), `${until(deadlines.purge)} s`);
    if (deadlines.countdown) set(live("countdown"), `${until(deadlines.countdown)} s`);
    if (newsAt && current().phase === "running") {
      const silent = Math.floor((Date.now() - newsAt) / 1000);
      if (silent >= 3) set(live("news"), `no news from the machine for ${silent} s`);
    }
  }
  setInterval(tick, 250);

  // With the server gone the page may be older than the run: the machine's own words then stand alone.
  const alone = document.getElementById("alone");
  function sayAlone(r) {
    const here = current();
    alone.hidden = !(lost && r.phase && (r.run !== here.run || r.phase !== here.phase));
    page.classList.toggle("older", !alone.hidden); // what the page says of the run no longer holds
    if (alone.hidden) return;
    const asked = r.attendance_s >= 0;
    if (asked) tellLeft(r.attendance_s);
    set(alone.querySelector("p"), `The machine says: ${r.phase}` + (r.phase === "running" ? `, ${duration(r.left_ms)} left` : "") +
      (r.purge_s > 0 ? `, ${r.purge_s} s of purge` : "") + (asked ? `; ${r.attendance_s} s left to tap.` : "."));
    alone.querySelector("button").hidden = !asked;
  }

  function reading(r) {
    const here = current();
    machineRun = r.run;
    sayAlone(r);
    // The page shows what the database decided; a reading of another run or phase only makes it look
    // again, and not more often than the machine speaks.
    if (r.run !== here.run) { if (r.phase && here.phase) refreshSoon(); return; }
    if (r.phase && r.phase !== here.phase) refreshSoon();
    newsAt = Date.now();
    set(live("left"), duration(r.left_ms));
    const done = live("done");
    if (done && r.total_ms > 0) { done.max = r.total_ms; done.value = r.done_ms; }
    set(live("news"), `${r.stroke >= 0 ? `stroke ${r.stroke + 1}; ` : ""}the time left follows what the machine really did so far`);
    const problem = live("problem");
    if (problem) { set(problem, r.problem || ""); problem.hidden = !r.problem; }
    deadlines.attendance = r.attendance_s >= 0 ? Date.now() + r.attendance_s * 1000 : 0;
    deadlines.purge = r.purge_s > 0 ? Date.now() + r.purge_s * 1000 : 0;
    deadlines.countdown = r.countdown_s > 0 ? Date.now() + r.countdown_s * 1000 : 0;
    tick();
  }

  // ---- The changing part of the page. What a person is typing is left alone.
  const changes = document.getElementById("changes");
  const kept = new Set(["said", "refused", "link", "position", "tracing"]);
  let asked = 0;

  function morph(html, answered) {
    Idiomorph.morph(changes, html, {
      morphStyle: "innerHTML",
      // Of a button this would leave the words as they are while it becomes another one's.
      ignoreActiveValue: !!document.activeElement?.matches("input, select, textarea"),
      callbacks: {
        beforeNodeMorphed: (old, fresh) => {
          if (old.nodeType !== Node.ELEMENT_NODE) return true;
          if (kept.has(old.id) && fresh.id === old.id) return false;
        if (old.dataset.live === "attend-words" && Date.now() - saidAt < 10_000) return false; // what was answered can be read
          return !(old.matches("form[data-dirty]") && fresh.matches?.("form") && !answered);
        },
        // Which bar is open is the person's choice, until an answer moves on to the next one.
        beforeAttributeUpdated: (name, node) => !(name === "open" && !answered) && !(name === "data-dirty"),
      },
    });
  }

  async function refresh(answered = false) {
    const turn = ++asked;
    try {
      const r = await fetch(page.dataset.main, { credentials: "same-origin", cache: "no-store" });
      if (!r.ok) return;
      const html = await r.text();
      if (turn !== asked && !answered) return; // a later answer is on its way
      const before = current().phase;
      morph(html, answered);
      const now = current().phase;
      if (before !== now) {
        keepPage();
        deadlines.attendance = deadlines.purge = deadlines.countdown = 0;
        if (now === "checking" || now === "proposed") stopped.hidden = true;
        window.scrollTo(0, 0);
      }
    } catch { /* the link line tells of it */ }
  }
  // At most once a second, however much is told meanwhile: many entries must not put it off for ever either.
  let soon = 0;
  let refreshed = 0;
  const refreshSoon = () => {
    if (soon) return;
    soon = setTimeout(() => { soon = 0; refreshed = Date.now(); refresh(); }, Math.max(150, refreshed + 1000 - Date.now()));
  };

  // ---- Links to server and worker.
  const link = () => document.getElementById("link");
  let lost = false;
  let since = 0;
  function setLost(on) {
    if (on === lost) return;
    lost = on;
    const line = link();
    if (!line) return;
    line.hidden = !on;
    line.textContent = on ? "The server does not answer. Stop run and I am here still reach the machine’s own worker; nothing new can start." : "";
    if (!on) { alone.hidden = true; page.classList.remove("older"); refresh(); }
  }
  const events = new EventSource("/api/v1/events");
  events.addEventListener("open", () => { since = 0; setLost(false); });
  events.addEventListener("error", () => {
    if (!since) since = Date.now();
    if (Date.now() - since > 2500) setLost(true);
    // The browser gives up for good on some answers; it is then opened anew with the page.
    if (events.readyState === EventSource.CLOSED) setLost(true);
  });
  // What names another machine changes nothing here.
  events.addEventListener("entry", (e) => {
    const about = JSON.parse(e.data).machine_id;
    if (!about || about === machine) refreshSoon();
  });
  events.addEventListener("reset", refreshSoon);
  // The server speaks seconds, the worker milliseconds.
  events.addEventListener("reading", (e) => {
    const r = JSON.parse(e.data);
    if (r.machine_id !== machine) return;
    reading({ ...r, run: r.run_id, done_ms: r.done_s * 1000, total_ms: r.total_s * 1000, left_ms: r.left_s * 1000 });
  });
  async function look() {
    try {
      const r = await fetch(`${worker}/status`, { mode: "cors", credentials: "omit", cache: "no-store", signal: AbortSignal.timeout(1500) });
      if (r.ok) reading(await r.json());
    } catch { /* tick says how long there was no news */ }
  }
  if (worker) {
    look(); // the page may have come from the keeper
    setInterval(() => { if (lost || (newsAt && Date.now() - newsAt > 3000)) look(); }, 2000);
  }

  // ---- The keeper shows this page with the server gone; it takes each phase anew.
  const keepPage = () => navigator.serviceWorker?.ready.then((keeper) => keeper.active?.postMessage(location.pathname));
  navigator.serviceWorker?.register("/static/keeper.js", { scope: "/station/" }).then(keepPage).catch(() => { /* private windows have none */ });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
  document.addEventListener("signed-out", refreshSoon); // away.js

  // ---- Forms: each names its method and address; the answer is the page's new state.
  document.addEventListener("input", (e) => { e.target.form?.closest("[data-send]")?.setAttribute("data-dirty", ""); });

  function say(text) {
    const box = document.getElementById("said");
    if (!box) return;
    const p = document.createElement("p");
    p.className = "notice";
    p.textContent = text;
    box.replaceChildren(...(text ? [p] : []));
  }
  function refuse(title, reasons) {
    const box = document.getElementById("refused");
    if (!box) return;
    box.replaceChildren();
    if (!title) return;
    const outer = document.createElement("div");
    outer.className = "refusal";
    const head = document.createElement("h2");
    head.textContent = title;
    const list = document.createElement("ul");
    for (const reason of reasons) {
      const item = document.createElement("li");
      const what = document.createElement("b");
      what.textContent = reason.what;
      item.append(what, reason.next ? `: ${reason.next}` : "");
      list.append(item);
    }
    outer.append(head, list);
    box.append(outer);
    outer.scrollIntoView({ block: "nearest" });
  }

  const number = (text) => Number(text.trim().replace(",", ".").replace("−", "-"));

  function bodyOf(form, by) {
    const data = new FormData(form, by || undefined);
    if (form.dataset.kind === "home") return { kind: "home", on_mark: true };
    if (form.dataset.kind) return { kind: form.dataset.kind };
    if (form.dataset.set) return JSON.parse(form.dataset.set);
    const values = {};
    for (const [name, value] of data) {
      const field = form.elements[name];
      const probe = field instanceof RadioNodeList ? field[0] : field;
      if (probe?.hasAttribute?.("data-bool")) values[name] = value === "yes";
      else if (probe?.hasAttribute?.("data-number")) values[name] = number(value);
      else values[name] = value;
    }
    if (form.dataset.values) return { values };
    return Object.keys(values).length ? values : null;
  }

  function key() {
    const bytes = crypto.getRandomValues(new Uint8Array(18));
    return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  }

  async function send(method, address, body) {
    const headers = { Accept: "application/json" };
    if (body) headers["Content-Type"] = "application/json";
    if (method === "POST") headers["Idempotency-Key"] = key();
    const r = await fetch(address, { method, headers, credentials: "same-origin", body: body ? JSON.stringify(body) : undefined });
    const text = await r.text();
    let answer = null;
    try { answer = text ? JSON.parse(text) : null; } catch { answer = null; }
    if (!r.ok) throw { title: answer?.title || `the server answered ${r.status}`, reasons: answer?.reasons || (answer?.detail ? [{ what: answer.detail }] : []) };
    return answer;
  }

  document.addEventListener("submit", async (e) => {
    const form = e.target;
    if (!form.dataset.send && !form.dataset.sign && !form.dataset.handOver) return;
    e.preventDefault();
    if (form.hasAttribute("aria-busy")) return;
    if (e.submitter?.getAttribute("aria-disabled") === "true") {
      document.querySelector(".bar.down summary")?.focus();
      return;
    }
    form.setAttribute("aria-busy", "true");
    refuse("");
    try {
      if (form.dataset.sign) {
        const signed = await send("POST", form.dataset.sign, null);
        keepToken(signed.run.id, signed.attendance_token, signed.worker_url);
        say("");
      } else if (form.dataset.handOver) {
        // Only the station whose token counts now can give the run away; the answer is the token that counts next.
        const run = form.dataset.handOver.split("/").at(-2);
        const taken = await send("POST", form.dataset.handOver, { attendance_token: attendance?.token || "" });
        keepToken(run, taken.attendance_token, taken.worker_url);
        say("Attendance is yours: answer from now on.");
      } else {
        const [method, address] = form.dataset.send.split(" ");
        const answer = await send(method, address, bodyOf(form, e.submitter));
        form.removeAttribute("data-dirty");
        if (answer && "position_x_mm" in answer) document.dispatchEvent(new CustomEvent("carriage", { detail: answer }));
      }
      // An answer moves on to the next bar; placing stays open for the next move, or the trace.
      const moves = "values" in form.dataset || "sign" in form.dataset;
      await refresh(moves);
      // Whoever answered by keyboard stands at what comes next, not at the top of the page.
      const at = document.activeElement;
      if (moves && (!at || at === document.body || !at.checkVisibility())) changes.querySelector(".bar.down details[open] > summary, form[data-sign] button, #attend")?.focus({ preventScroll: true });
    } catch (problem) {
      if (problem instanceof Error) refuse("The server does not answer", [{ what: "nothing was changed, as far as this page knows", next: "try again; Stop run works without the server" }]);
      else refuse(problem.title, problem.reasons);
    } finally {
      form.removeAttribute("aria-busy");
    }
  });
})();
