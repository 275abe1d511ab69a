package api

import (
	"fmt"
	"net"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/webauthn"
	"github.com/chromedp/chromedp"

	"kerfgate/db"
)

// TestPasskeyInBrowser: with Chromium's own virtual authenticator (the WebAuthn domain of its DevTools
// protocol) somebody adds a passkey, signs in by it and removes it, by the keys alone; an authenticator that
// does not verify its user is refused, and the pages are in order in three sizes.
func TestPasskeyInBrowser(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if w.s.passkeys, err = newPasskeys("http://"+l.Addr().String(), "garden"); err != nil {
		t.Fatal(err)
	}
	loopback := w.serveOn(t, l)
	w.url = strings.Replace(loopback, "127.0.0.1", "localhost", 1)
	id, _ := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	b := w.openTab(t, db.Actor{Person: id, Role: db.RoleMember})
	if _, err := chromedp.Call(b.ctx, webauthn.Enable, webauthn.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	added, err := chromedp.Call(b.ctx, webauthn.AddVirtualAuthenticator, webauthn.AddVirtualAuthenticatorParams{Options: &webauthn.VirtualAuthenticatorOptions{
		Protocol: "ctap2", Transport: "internal", HasResidentKey: true, HasUserVerification: true, IsUserVerified: true, AutomaticPresenceSimulation: true}})
	if err != nil {
		t.Fatal(err)
	}
	b.visit("/me")
	b.waits(`document.getElementById("passkey-add")?.offsetParent || document.querySelector("#passkeys-head ~ div details")`)
	b.reach(`section:has(#passkeys-head) summary`)
	b.press("\r")
	fill := func(password string) {
		t.Helper()
		b.reach("#passkey-name")
		b.value(`document.activeElement.value = ""`)
		b.press(strings.Split("my phone", "")...)
		b.reach("#passkey-password")
		b.value(`document.activeElement.value = ""`)
		b.press(strings.Split(password, "")...)
		b.press("\r")
	}
	fill("guessed password")
	b.waits(`document.getElementById("refused")?.innerText.includes("password is wrong")`)
	b.value(`document.activeElement.blur();""`)
	fill("a long enough password")
	b.waits(`document.readyState === "complete" && document.body?.innerText.includes("not used yet")`)
	b.inOrder("me-passkey", "button.big")

	b.reach("form.who button")
	b.press("\r")
	b.arrives("/")
	b.visit("/sign-in?next=%2Fme")
	b.waits(`document.getElementById("passkey-sign-in")?.offsetParent`)
	b.inOrder("sign-in-passkey", "button.big")
	// A device that does not know its user signs nobody in.
	verified := func(is bool) {
		t.Helper()
		if _, err := chromedp.Call(b.ctx, webauthn.SetUserVerified, webauthn.SetUserVerifiedParams{AuthenticatorID: added.AuthenticatorID, IsUserVerified: is}); err != nil {
			t.Fatal(err)
		}
	}
	verified(false)
	b.reach("#passkey-sign-in")
	b.press("\r")
	b.waits(`document.getElementById("refused")?.innerText.includes("signed nothing")`)
	verified(true)
	b.reach("#passkey-sign-in")
	b.press("\r")
	b.arrives("/me")
	b.waits(`document.body?.innerText.includes("my phone")`)
	if got := b.value("document.body.innerText"); !strings.Contains(got, "Fern of bed 3") || strings.Contains(got, "not used yet") {
		t.Errorf("signed in:\n%s", got)
	}
	keys, err := w.Passkeys(t.Context(), id)
	if err != nil || len(keys) != 1 || keys[0].UsedAt == nil || keys[0].SignCount == 0 {
		t.Fatalf("%+v, %v", keys, err)
	}
	b.reach(`form[action$=remove] button`)
	b.press("\r")
	b.waits(`document.body?.innerText.includes("The passkey is removed")`)
	if keys, err := w.Passkeys(t.Context(), id); err != nil || len(keys) != 0 {
		t.Errorf("%+v, %v", keys, err)
	}
	b.visit("/sign-in")
	b.waits(`document.getElementById("passkey-sign-in")?.offsetParent`)
	b.reach("#passkey-sign-in")
	b.press("\r")
	b.waits(`document.getElementById("refused")?.innerText.includes("does not sign in here")`)

	// By its address the same server says where passkeys work.
	b.do(chromedp.Navigate(loopback + "/sign-in"))
	b.waits(fmt.Sprintf(`document.body?.innerText.includes("Passkeys sign in at %s")`, w.url))
}
