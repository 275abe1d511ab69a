package api

import (
	"encoding/json"
	"fmt"
	"mime"
	"net/http"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"kerfgate/api/wire"
)

// TestS18_FileNames: a hostile name is kept harmlessly and comes back whole by RFC 6266; Go's own
// parser reads the header.
func TestS18_FileNames(t *testing.T) {
	t.Parallel()
	for given, want := range map[string]string{
		"bed sign.svg":            "bed sign.svg",
		"../../x.svg":             "x.svg",
		`C:\garden\x.svg`:         "x.svg",
		"a\x00b.svg":              "ab.svg",
		"a\r\nSet-Cookie: x.svg":  "aSet-Cookie: x.svg",
		"gvs.\u202enezrok.svg":    "gvs.nezrok.svg",
		"":                        "drawing",
		"..":                      "drawing",
		`quote".svg`:              `quote".svg`,
		"Kräuter (50%)*'.svg":     "Kräuter (50%)*'.svg",
		strings.Repeat("é", 4096): strings.Repeat("é", longestName),
		"\xff\xfebroken.svg":      "broken.svg",
		"line\u2028separator.svg": "lineseparator.svg",
	} {
		got := fileName(given)
		if got != want {
			t.Errorf("%q: %q, want %q", given, got, want)
		}
		if !utf8.ValidString(got) || strings.ContainsFunc(got, unicode.IsControl) {
			t.Errorf("%q gives %q", given, got)
		}
		header := attachment(given)
		if strings.ContainsAny(header, "\r\n\x00") {
			t.Errorf("header %q", header)
		}
		// RFC 6266 §4.3: filename* counts where both are given.
		kind, params, err := mime.ParseMediaType(strings.Replace(header, "filename=", "plain=", 1))
		if err != nil || kind != "attachment" || params["filename"] != want {
			t.Errorf("%q: %s %v %v", header, kind, params, err)
		}
	}
}

// TestS15_ContentIsSVG: a page, an archive and other XML under a drawing's name are not kept.
func TestS15_ContentIsSVG(t *testing.T) {
	t.Parallel()
	for _, good := range []string{
		`<svg xmlns="http://www.w3.org/2000/svg"/>`,
		"\ufeff<?xml version=\"1.0\" encoding=\"ISO-8859-1\"?>\n<!-- a bed sign -->\n<!DOCTYPE svg>\n<svg:svg xmlns:svg=\"http://www.w3.org/2000/svg\">",
	} {
		if !isSVG([]byte(good)) {
			t.Errorf("refused: %q", good)
		}
	}
	for _, bad := range []string{"", "PK\x03\x04", "\x1f\x8b\x08", "<!doctype html><html><svg/></html>", "<html/>", `{"svg":1}`, "svg", "%PDF-1.7"} {
		if isSVG([]byte(bad)) {
			t.Errorf("taken: %q", bad)
		}
	}
	s, _ := gateless(t, nil)
	rec := ask(t, s.Handler(), http.MethodPost, base+"/drawings?name=x.svg", string(member), "<html/>", "Content-Type", "image/svg+xml")
	if rec.Code != http.StatusUnprocessableEntity {
		t.Errorf("a page named .svg: %d %s", rec.Code, rec.Body)
	}
	rec = ask(t, s.Handler(), http.MethodPost, base+"/drawings?name=x.svg", string(member), "<svg/>", "Content-Type", "text/html")
	if rec.Code != http.StatusUnsupportedMediaType {
		t.Errorf("text/html: %d %s", rec.Code, rec.Body)
	}
}

func TestUnits(t *testing.T) {
	t.Parallel()
	for in, want := range map[float64]int64{0: 0, 12.3456: 12346, -0.0004: 0, 399.999: 399_999, 0.1 + 0.2: 300} {
		if got, err := micrometres("x", in); err != nil || got != want {
			t.Errorf("%v mm: %d µm, %v; want %d", in, got, err, want)
		}
	}
	if _, err := micrometres("by_x_mm", 1e9); err == nil || problemOf(err).status != http.StatusUnprocessableEntity {
		t.Errorf("a kilometre: %v", err)
	}
	data, err := json.Marshal(mm(100_050))
	if err != nil || string(data) != "100.05" {
		t.Errorf("100050 µm is written %s, %v", data, err)
	}
	for text, want := range map[string]int64{`"3"`: 3, "*": 0, ` "12" `: 12} {
		if got, err := revOf(&text); err != nil || got != want {
			t.Errorf("If-Match %s: %d %v", text, got, err)
		}
	}
	for _, text := range []string{"3", `W/"3"`, `"3`, `""`, `"-1"`, `"3", "4"`} {
		if got, err := revOf(&text); err == nil {
			t.Errorf("If-Match %s: %d", text, got)
		}
	}
	if got := fmt.Sprint(*etag(7)); got != `"7"` {
		t.Error(got)
	}
}

// TestS19_Download: the original comes back byte for byte, and nothing in it may run.
func TestS19_Download(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member := w.signedIn(t, w.Member)
	hostile := `<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"><script>alert(2)</script></svg>`
	form := "--b\r\nContent-Disposition: form-data; name=\"file\"; filename=\"../../s\u00e4ge \u202e.svg\"\r\nContent-Type: image/svg+xml\r\n\r\n" + hostile + "\r\n--b--\r\n"
	var d wire.Drawing
	w.as(t, member, http.MethodPost, "/drawings", form, http.StatusCreated, &d, "Content-Type", "multipart/form-data; boundary=b")
	if d.FileName != "säge .svg" || d.SizeBytes != int64(len(hostile)) {
		t.Errorf("kept as %+v", d)
	}
	rec := w.as(t, member, http.MethodGet, "/drawings/"+d.ID.String()+"/original", "", http.StatusOK, nil)
	if rec.Body.String() != hostile {
		t.Errorf("bytes differ: %q", rec.Body)
	}
	h := rec.Header()
	if h.Get("Content-Type") != "application/octet-stream" || h.Get("Content-Security-Policy") != "sandbox; default-src 'none'" ||
		h.Get("X-Content-Type-Options") != "nosniff" || !strings.HasPrefix(h.Get("Content-Disposition"), "attachment; ") {
		t.Errorf("headers %v", h)
	}
	w.as(t, member, http.MethodPost, "/plans", w.choice(d.ID), http.StatusUnprocessableEntity, nil)
}
