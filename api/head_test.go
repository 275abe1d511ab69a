package api

import (
	"bytes"
	"image/png"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"kerfgate/db/logbook"
)

// TestHeadOnPaper: what a real browser draws of a head is read back by another library's reader: it is the
// signed head itself, which opens with the site's key, and which the page of its check takes.
func TestHeadOnPaper(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	b := w.openTab(t, w.Officer)
	b.visit("/logbook/head")
	b.inOrder("head", ".none")
	data, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	picture, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	read := readQR(t, picture)
	head, err := logbook.OpenHead([]byte(read), w.LogVerify)
	if err != nil {
		t.Fatalf("the code holds %q: %v", read, err)
	}
	shown := b.value(`document.querySelector("main").innerText.replace(/\s+/g, "")`)
	for _, what := range []string{head.Origin, head.Root.String()} {
		if !strings.Contains(shown, what) {
			t.Errorf("the page does not tell %q", what)
		}
	}
	// As a telephone pastes it, in a form by the keys alone.
	b.visit("/logbook/head/check")
	b.inOrder("head-check", ".none")
	b.reach("#head")
	b.do(chromedp.KeyEvent(strings.ReplaceAll(read, "\n", "\r")))
	b.reach("main form button")
	b.press("\r")
	b.waits(`document.body?.innerText.includes("It fits")`)
}

// TestHeadFromThePaperBook: a head that was kept fits while the logbook only grows; one that is larger than the
// logbook, one over other entries, a foreign signature and a misspelt text are told apart.
func TestHeadFromThePaperBook(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	old, size, err := p.LogHead(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	check := func(text string) answer {
		t.Helper()
		return p.post(t, "officer", "/logbook/head/check", url.Values{"head": {text}})
	}
	check(string(old)).wants(t, http.StatusOK, "It fits")
	p.Submit(t, 1)
	check("  "+strings.ReplaceAll(string(old), "\n", " \r\n")+"\r\n").wants(t, http.StatusOK, "It fits", "nothing before it was altered")
	misspelt := strings.Replace(string(old), "\n\n", "x\n\n", 1)
	check(misspelt).wants(t, http.StatusUnprocessableEntity, "no signed head")
	check("hello").wants(t, http.StatusUnprocessableEntity, "no signed head")
	check("").wants(t, http.StatusUnprocessableEntity, "no signed head")
	head, err := logbook.PeekHead(old)
	if err != nil {
		t.Fatal(err)
	}
	sign := func(h logbook.Head) string {
		t.Helper()
		note, err := logbook.SignHead(h, p.Config.LogSigner)
		if err != nil {
			t.Fatal(err)
		}
		return string(note)
	}
	other := head
	other.Root[3] ^= 1
	check(sign(other)).wants(t, http.StatusOK, "It does not fit", "are not those")
	longer := head
	longer.Size = size + 100_000
	check(sign(longer)).wants(t, http.StatusOK, "It does not fit", "what came after is gone")
	forged := strings.Replace(sign(other), string(old[len(old)-20:]), "", 1)
	check(forged[:len(forged)-9]+"AAAAAAA=\n").wants(t, http.StatusUnprocessableEntity, "signature is not good")
	p.post(t, "member", "/logbook/head/check", url.Values{"head": {string(old)}}).wants(t, http.StatusForbidden)
}
