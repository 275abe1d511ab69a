// A station is a witness of the logbook: it keeps the newest signed head that it saw, and refuses a
// server that cannot prove that its logbook follows from it. Stop run and attendance are never refused.
"use strict";
const witness = (() => {
  const shelf = "kerfgate head";
  const every = 60_000;
  const text = new TextEncoder();
  const bytes = (base64) => Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
  const same = (a, b) => a.length === b.length && a.every((v, i) => v === b[i]);
  const join = (...parts) => {
    const all = new Uint8Array(parts.reduce((n, p) => n + p.length, 0));
    let at = 0;
    for (const p of parts) { all.set(p, at); at += p.length; }
    return all;
  };
  const sha256 = async (data) => new Uint8Array(await crypto.subtle.digest("SHA-256", data));
  const node = (left, right) => sha256(join([1], left, right)); // RFC 6962, 2.1

  // RFC 9162, 2.1.4.2: whether the log of size second with root b follows from that of size first with
  // root a. Sizes are numbers below 2^53, roots and the proof's hashes are bytes.
  async function consistent(first, second, proof, a, b) {
    if (first > second) return false;
    if (first === second) return proof.length === 0 && same(a, b);
    if (first === 0) return proof.length === 0;
    if (proof.length === 0) return false;
    const power = (BigInt(first) & (BigInt(first) - 1n)) === 0n;
    const path = power ? [a, ...proof] : proof;
    let fn = BigInt(first) - 1n, sn = BigInt(second) - 1n;
    const up = () => { fn >>= 1n; sn >>= 1n; };
    while (fn & 1n) up();
    let fr = path[0], sr = path[0];
    for (const c of path.slice(1)) {
      if (sn === 0n) return false;
      if ((fn & 1n) || fn === sn) {
        fr = await node(c, fr);
        sr = await node(c, sr);
        while (!(fn & 1n) && fn !== 0n) up();
      } else sr = await node(sr, c);
      up();
    }
    return sn === 0n && same(fr, a) && same(sr, b);
  }

  // A signed note (golang.org/x/mod/sumdb/note): its text, and whether the key signed it. A browser
  // without Ed25519 cannot say; then TLS and the proof have to do.
  async function signedText(note, key) {
    const cut = note.lastIndexOf("\n\n");
    if (cut < 0) throw new Error("not a signed note");
    const body = note.slice(0, cut + 1);
    const [name, id, ...rest] = key.split("+");
    const public_ = bytes(rest.join("+")); // base64 may hold plus signs
    for (const line of note.slice(cut + 2).split("\n")) {
      if (!line.startsWith(`— ${name} `)) continue;
      const raw = bytes(line.slice(name.length + 3));
      if ([...raw.slice(0, 4)].map((v) => v.toString(16).padStart(2, "0")).join("") !== id) continue;
      let verifier;
      try {
        verifier = await crypto.subtle.importKey("raw", public_.slice(1), { name: "Ed25519" }, false, ["verify"]);
      } catch (e) {
        if (e.name === "NotSupportedError") return body;
        throw e;
      }
      if (await crypto.subtle.verify({ name: "Ed25519" }, verifier, raw.slice(4), text.encode(body))) return body;
    }
    throw new Error("what the server shows now is not signed by the logbook’s key");
  }

  function parseHead(body) {
    const [origin, size, root, end, ...more] = body.split("\n");
    if (end !== "" || more.length || !/^(0|[1-9][0-9]{0,15})$/.test(size)) throw new Error("the server’s head is malformed");
    return { origin, size: Number(size), root };
  }

  // The key that the pinned one and its successors lead to.
  async function follow(key, successors) {
    for (const note of successors) {
      let body;
      try { body = await signedText(note, key); } catch { continue; } // older than the pinned key
      const [kind, , named] = body.split("\n");
      const next = (named || "").replace(/^public /, "");
      if (kind !== "kerfgate successor v1" || next.split("+")[0] !== key.split("+")[0]) throw new Error("a successor of the logbook’s key is malformed");
      key = next;
    }
    return key;
  }

  const kept = () => { try { return JSON.parse(localStorage.getItem(shelf)); } catch { return null; } };

  // One question to the server. It throws with the reason where the answer is not to be believed.
  async function look() {
    const before = kept();
    const get = async (path) => {
      const r = await fetch(path, { cache: "no-store", credentials: "omit", signal: AbortSignal.timeout(15_000) });
      if (!r.ok) throw new TypeError(String(r.status));
      return r.json().catch((e) => { throw e instanceof SyntaxError ? new Error("the server’s answer to that cannot be read") : e; });
    };
    let key = before?.key;
    if (!key) key = (await get("/api/v1/enrol/trust")).log_key; // the first time: TLS vouches for it
    const said = await get(`/api/v1/logbook/witness?from=${before ? before.size : 0}`);
    key = await follow(key, said.successors);
    const head = parseHead(await signedText(said.head, key));
    if (before) {
      if (head.origin !== before.origin) throw new Error(`the logbook is now called ${head.origin}: it was restored, or it is another one`);
      if (head.size < before.size) throw new Error(`the logbook has ${head.size} entries, and had ${before.size}`);
      if (!await consistent(before.size, head.size, said.proof.map(bytes), bytes(before.root), bytes(head.root))) throw new Error(`the server cannot prove that its ${head.size} entries follow from the ${before.size} of before`);
    }
    const now = kept(); // another tab may have looked meanwhile
    if (!now || now.size <= head.size) localStorage.setItem(shelf, JSON.stringify({ ...head, key }));
    return head;
  }

  let doubted = "";
  function doubt(reason) {
    doubted = reason;
    const box = document.getElementById("doubt");
    if (!box) return;
    box.hidden = false;
    const line = (kind, words) => Object.assign(document.createElement(kind), { textContent: words });
    box.replaceChildren(line("h2", "Start nothing: the logbook is in doubt"), line("p", `This station kept a head of the logbook, and ${reason}.`),
      line("p", "Tell the safety officer. If the server was restored on purpose, the officer enrols this station anew. Stop run and attendance work as before."));
  }

  // In doubt nothing is sent from here but a stop and a tap.
  const refuse = (e) => {
    if (!doubted || e.target.closest?.("form.stop, form.inspect, #stop, #attend, .attend, form[action='/sign-out'], #doubt, a")) return;
    e.preventDefault();
    e.stopImmediatePropagation();
    document.getElementById("doubt")?.scrollIntoView();
  };

  async function watch() {
    try {
      await look();
      doubted = ""; // it has proven what it owed
      const box = document.getElementById("doubt");
      if (box) box.hidden = true;
    } catch (e) {
      // A server that cannot be reached proves nothing and disproves nothing.
      if (!(e instanceof TypeError) && e.name !== "TimeoutError") doubt(e.message);
    }
  }

  // Made a station anew, by somebody with a code: what was kept before is of another time.
  if (document.querySelector("[data-witness=anew]")) localStorage.removeItem(shelf);
  if (document.getElementById("station") && crypto.subtle) {
    for (const kind of ["submit", "click"]) document.addEventListener(kind, refuse, true);
    watch();
    setInterval(watch, every);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) watch(); });
  }
  return { consistent, signedText, parseHead, follow, look, watch, bytes, kept, doubt: () => doubted };
})();
