// Passkeys: signing in by one, and adding one on one's own page (WebAuthn Level 3). The server's answers say
// what the authenticator is asked; this script only carries bytes between the two.
"use strict";
(() => {
  const able = !!(window.isSecureContext && window.PublicKeyCredential && navigator.credentials);
  const bytes = (text) => Uint8Array.from(atob(text.replaceAll("-", "+").replaceAll("_", "/")), (c) => c.charCodeAt(0));
  const text = (buffer) => btoa(Array.from(new Uint8Array(buffer), (b) => String.fromCharCode(b)).join("")).replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "");

  // say shows what was refused, where the page says such things, and to a screen reader.
  function say(what, next) {
    const refused = document.getElementById("refused");
    refused.replaceChildren();
    if (!what) return;
    const box = document.createElement("div");
    box.className = "refusal";
    const head = document.createElement("h2");
    head.textContent = what;
    box.append(head);
    if (next) {
      const line = document.createElement("p");
      line.textContent = next;
      box.append(line);
    }
    refused.append(box);
    refused.scrollIntoView({ block: "nearest" });
  }

  const sentence = (s) => s.charAt(0).toUpperCase() + s.slice(1);

  async function post(address, body) {
    const r = await fetch(address, { method: "POST", credentials: "same-origin", cache: "no-store",
      headers: { Accept: "application/json", ...(body ? { "Content-Type": "application/json" } : {}) }, body: body && JSON.stringify(body) });
    const answer = await r.json();
    if (r.ok) return answer;
    const reason = answer.reasons?.[0];
    throw Object.assign(new Error(sentence(reason?.what || answer.title)), { next: reason?.next && sentence(reason.next) + "." });
  }

  // during keeps one ceremony at a time and says how it failed.
  async function during(button, work) {
    if (button.getAttribute("aria-disabled") === "true") return;
    button.setAttribute("aria-disabled", "true");
    say("");
    try {
      await work();
    } catch (e) {
      if (e.name === "NotAllowedError") say("The device signed nothing", "It was put off, took too long, or knows no passkey for this site. Try again.");
      else if (e.name === "InvalidStateError") say("This device keeps a passkey of yours already", "It is in the list above.");
      else if (e instanceof TypeError || e instanceof DOMException) say("It did not work", "Look whether the server answers, then try again.");
      else say(e.message, e.next);
    } finally {
      button.removeAttribute("aria-disabled");
    }
  }

  async function signIn(button) {
    const asked = await post("/api/v1/sessions/passkey/challenge");
    const made = await navigator.credentials.get({ publicKey: { challenge: bytes(asked.challenge), rpId: asked.rp_id, timeout: asked.timeout_ms, userVerification: "required" } });
    const r = made.response;
    await post("/api/v1/sessions/passkey", { credential_id: text(made.rawId), client_data: text(r.clientDataJSON), authenticator_data: text(r.authenticatorData),
      signature: text(r.signature), user_handle: text(r.userHandle || new ArrayBuffer(0)) });
    location.assign(button.dataset.next);
  }

  async function add(form) {
    const asked = await post("/api/v1/me/passkeys/challenge", { password: form.elements.password.value });
    const made = await navigator.credentials.create({ publicKey: {
      challenge: bytes(asked.challenge), rp: { id: asked.rp_id, name: asked.rp_name }, timeout: asked.timeout_ms, attestation: "none",
      user: { id: bytes(asked.user_id), name: asked.user_name, displayName: asked.display_name },
      pubKeyCredParams: asked.algorithms.map((alg) => ({ type: "public-key", alg })), excludeCredentials: asked.known.map((id) => ({ type: "public-key", id: bytes(id) })),
      authenticatorSelection: { residentKey: "required", requireResidentKey: true, userVerification: "required" } } });
    await post("/api/v1/me/passkeys", { name: form.elements.name.value, credential_id: text(made.rawId), client_data: text(made.response.clientDataJSON), attestation: text(made.response.attestationObject) });
    location.assign("/me#passkeys-head");
    location.reload();
  }

  const button = document.getElementById("passkey-sign-in");
  if (button && able) {
    button.closest("[hidden]").hidden = false;
    button.addEventListener("click", () => during(button, () => signIn(button)));
  }
  const form = document.getElementById("passkey-add");
  if (form && able) {
    form.closest("[hidden]").hidden = false;
    form.addEventListener("submit", (e) => {
      e.preventDefault();
      during(form.querySelector("button"), () => add(form));
    });
  } else if (form) {
    document.getElementById("passkey-unable").hidden = false;
  }
})();
