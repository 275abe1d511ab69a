package api

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"kerfgate/deploy/browsertest"
)

// TestStationLocked: at an enrolled station a page that lies out of sight, as under a locked screen, signs its
// operator out, and says so at once; a glance elsewhere does not, and a browser that is no station never does.
func TestStationLocked(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	who := w.withPIN(t, "fern", "482913", w.Machine.ID)
	_, station := w.station(t, w.Machine.ID)
	session := cookieOf(t, w.as(t, "", http.MethodPost, "/sessions/pin", pinBody("fern", "482913"), http.StatusCreated, nil, "Cookie", station))
	b := tab{t: t, ctx: browsertest.Open(t, 1024, 768), address: w.serve(t)}
	for _, pair := range []string{station, session} {
		name, value, _ := strings.Cut(pair, "=")
		if _, err := chromedp.Call(b.ctx, network.SetCookie, network.SetCookieParams{Name: name, Value: value, URL: b.address, HTTPOnly: new(true)}); err != nil {
			t.Fatal(err)
		}
	}
	page := "/station/" + w.Machine.ID.String()
	const outOfSight = `Object.defineProperty(document, "hidden", {configurable: true, get: () => %HIDDEN%}); document.dispatchEvent(new Event("visibilitychange")); ""`
	hide := func(hidden string) {
		t.Helper()
		b.value(strings.Replace(outOfSight, "%HIDDEN%", hidden, 1))
	}
	in := func() bool {
		t.Helper()
		live, err := w.Sessions(t.Context(), who.Person)
		if err != nil {
			t.Fatal(err)
		}
		for _, se := range live {
			if se.Kind == "station" {
				return true
			}
		}
		return false
	}
	b.visit(page)
	b.waits(`document.querySelector("form[data-away]")`)
	if at := b.value(`document.querySelector("form[data-away]").dataset.away`); at != "20" {
		t.Errorf("after %s s", at)
	}
	hide("true")
	hide("false")
	time.Sleep(200 * time.Millisecond) // a sign-out would be on its way by now
	if !in() {
		t.Fatal("a glance elsewhere signs out")
	}
	b.value(`document.querySelector("form[data-away]").dataset.away = "0.05"; ""`)
	hide("true")
	b.waits(`!document.querySelector("form[data-away]") && document.querySelector("header.bay").innerText.includes("Sign in")`)
	if in() {
		t.Error("the session goes on")
	}
	if b.value(`String(!!document.getElementById("stop"))`) != "true" {
		t.Error("Stop run is gone")
	}

	// Any other browser keeps who signed in: their own laptop, another tab in front.
	other := w.openTab(t, w.Operator)
	other.visit(page)
	other.waits(`document.querySelector("header.bay form")`)
	if other.value(`String(!!document.querySelector("form[data-away]"))`) != "false" {
		t.Error("a browser that is no station signs out when it lies out of sight")
	}
}
