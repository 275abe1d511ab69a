package api

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"kerfgate/api/wire"
	"kerfgate/deploy/browsertest"
)

// TestIncidents: reported at a station by nobody who is signed in, read by everybody without what tells
// who was hurt, added to, followed up, closed by an officer alone.
func TestIncidents(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operatorToken, officer, adminToken := w.signedIn(t, w.Member), w.signedIn(t, w.Operator), w.signedIn(t, w.Officer), w.signedIn(t, w.Admin)
	_, here := w.station(t, w.Machine.ID)
	body := func(kind string) string {
		return fmt.Sprintf(`{"kind":%q,"machine_id":%q,"what":"lid opened while the beam was on","severity":"none","potential":"lasting harm","lock_out":true,
			"particulars":{"hurt":"nobody","hospital":true,"visitor":true}}`, kind, w.Machine.ID)
	}
	w.as(t, "", http.MethodPost, "/incidents", body("near miss"), http.StatusForbidden, nil)
	w.as(t, member, http.MethodPost, "/incidents", body("mishap"), http.StatusUnprocessableEntity, nil)
	w.as(t, member, http.MethodPost, "/incidents", strings.Replace(body("fire"), w.Machine.ID.String(), "00000000-0000-4000-8000-000000000009", 1), http.StatusNotFound, nil)
	var i wire.Incident
	w.as(t, "", http.MethodPost, "/incidents", body("near miss"), http.StatusCreated, &i, "Cookie", here)
	if i.Station != "tablet" || i.ReporterName != "" {
		t.Errorf("%+v", i)
	}
	for n := range reportsAtStation {
		want := http.StatusCreated
		if n == reportsAtStation-1 {
			want = http.StatusTooManyRequests
		}
		rec := ask(t, w.s.Handler(), http.MethodPost, base+"/incidents", "", body("near miss"), "Cookie", here)
		if rec.Code != want {
			t.Fatalf("report %d: %d", n, rec.Code)
		}
	}
	path := "/incidents/" + i.ID.String()
	var detail wire.IncidentDetail
	w.as(t, member, http.MethodGet, path, "", http.StatusOK, &detail)
	if detail.Particulars != nil {
		t.Errorf("a member reads %+v", detail.Particulars)
	}
	w.as(t, member, http.MethodPost, path+"/notes", `{"about":"fact","text":"x"}`, http.StatusForbidden, nil)
	w.as(t, operatorToken, http.MethodPost, path+"/notes", `{"about":"root cause","text":"the magnet had come off"}`, http.StatusNoContent, nil)
	w.as(t, operatorToken, http.MethodPost, path+"/notes", `{"about":"fact","text":""}`, http.StatusUnprocessableEntity, nil)
	follow := fmt.Sprintf(`{"what":"screw it on","remedy":"engineering","owner_id":%q,"due":"2027-01-01"}`, w.Member.Person)
	w.as(t, officer, http.MethodPost, path+"/follow-ups", strings.Replace(follow, "screw it on", "", 1), http.StatusUnprocessableEntity, nil)
	var made wire.FollowUpMade
	w.as(t, officer, http.MethodPost, path+"/follow-ups", follow, http.StatusCreated, &made)
	w.as(t, adminToken, http.MethodPost, path+"/close", `{"closing":"x"}`, http.StatusForbidden, nil)
	w.as(t, officer, http.MethodPost, path+"/close", `{"closing":"x"}`, http.StatusUnprocessableEntity, nil)
	done := "/follow-ups/" + made.ID.String() + "/done"
	w.as(t, operatorToken, http.MethodPost, done, `{"result":"done"}`, http.StatusNotFound, nil)
	w.as(t, member, http.MethodPost, done, `{"result":"screwed on"}`, http.StatusNoContent, nil)
	w.as(t, member, http.MethodPost, done, `{"result":"again"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPost, path+"/close", `{"closing":"looked at every month now"}`, http.StatusNoContent, nil)
	detail = wire.IncidentDetail{}
	w.as(t, officer, http.MethodGet, path, "", http.StatusOK, &detail)
	if detail.Particulars == nil || detail.Incident.ClosedBy == nil || len(detail.Notes) != 1 || len(detail.FollowUps) != 1 || *detail.FollowUps[0].DoneBy != "Member of the garden" {
		t.Errorf("%+v", detail)
	}
	var page wire.IncidentPage
	w.as(t, member, http.MethodGet, "/incidents?limit=2", "", http.StatusOK, &page)
	if len(page.Incidents) != 2 || page.Next == nil {
		t.Fatalf("%+v", page)
	}
	w.as(t, member, http.MethodGet, "/incidents?limit=0", "", http.StatusUnprocessableEntity, nil)
	w.as(t, member, http.MethodGet, "/incidents?cursor=00000000-0000-4000-8000-000000000009", "", http.StatusNotFound, nil)
	var rates wire.IncidentRates
	w.as(t, officer, http.MethodGet, "/incidents/rates", "", http.StatusOK, &rates)
	if len(rates.Months) != 1 || rates.Months[0].Count != reportsAtStation || rates.Months[0].Per100MachineHours != nil {
		t.Errorf("%+v", rates)
	}
}

// form makes a form of fields and perhaps a photo.
func form(t *testing.T, photo []byte, fields map[string]string) (body, kind string) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for name, value := range fields {
		if err := m.WriteField(name, value); err != nil {
			t.Fatal(err)
		}
	}
	if photo != nil {
		part, err := m.CreateFormFile("photo", "photo.jpg")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := part.Write(photo); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String(), m.FormDataContentType()
}

// TestReportPage: the form with a photo, refused with everything typed kept, and the incident's page.
func TestReportPage(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	officer := w.signedIn(t, w.Officer)
	_, here := w.station(t, w.Machine.ID)
	send := func(photo []byte, token string, fields map[string]string, header ...string) *httptest.ResponseRecorder {
		body, kind := form(t, photo, fields)
		return ask(t, w.s.Handler(), http.MethodPost, "/incidents/new", token, body, append(header, "Content-Type", kind, "Accept", "text/html")...)
	}
	fields := map[string]string{"machine": w.Machine.ID.String(), "kind": "exposure", "what": "lid opened", "severity": "none", "potential": "lasting harm", "lock_out": "yes"}
	if rec := ask(t, w.s.Handler(), http.MethodGet, "/incidents/new", "", "", "Accept", "text/html"); rec.Code != http.StatusSeeOther {
		t.Errorf("a stranger: %d", rec.Code)
	}
	if rec := ask(t, w.s.Handler(), http.MethodGet, "/incidents/new", "", "", "Cookie", here, "Accept", "text/html"); rec.Code != http.StatusOK || !strings.Contains(rec.Body.String(), "Reported at the station") {
		t.Errorf("at a station: %d", rec.Code)
	}
	if rec := send([]byte("<svg onload=alert(1)>"), officer, fields); rec.Code != http.StatusUnprocessableEntity || !strings.Contains(rec.Body.String(), "lid opened") {
		t.Errorf("no photo: %d", rec.Code)
	}
	rec := send(photoOf(t, 8, 4, 6), "", fields, "Cookie", here)
	if rec.Code != http.StatusCreated || !strings.Contains(rec.Body.String(), "eye doctor") {
		t.Fatalf("%d %s", rec.Code, rec.Body)
	}
	list, err := w.Incidents(t.Context(), [16]byte{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	path := "/incidents/" + list[0].ID.String()
	photo := w.as(t, officer, http.MethodGet, path+"/photos/1", "", http.StatusOK, nil)
	if kept, err := jpeg.DecodeConfig(photo.Body); err != nil || kept.Width != 4 || kept.Height != 8 {
		t.Errorf("kept %v, %v: the camera was held upright", kept, err)
	}
	act := func(form, what string, want int) {
		t.Helper()
		rec := ask(t, w.s.Handler(), http.MethodPost, path+"/"+form, officer, what, "Content-Type", "application/x-www-form-urlencoded", "Accept", "text/html")
		if rec.Code != want {
			t.Errorf("%s: %d", form, rec.Code)
		}
	}
	act("note", "about=fact&text=the+magnet+had+come+off", http.StatusSeeOther)
	act("note", "about=guess&text=x", http.StatusUnprocessableEntity)
	act("follow-up", "what=screw+it+on&remedy=engineering&due=2027-01-01&owner="+w.Member.Person.String(), http.StatusSeeOther)
	act("follow-up", "what=screw+it+on&remedy=engineering&due=soon&owner="+w.Member.Person.String(), http.StatusUnprocessableEntity)
	act("close", "closing=done", http.StatusUnprocessableEntity)
	for _, at := range []string{path, "/incidents"} {
		if rec := ask(t, w.s.Handler(), http.MethodGet, at, officer, "", "Accept", "text/html"); rec.Code != http.StatusOK || !strings.Contains(rec.Body.String(), "lid opened") {
			t.Errorf("%s: %d", at, rec.Code)
		}
	}
}

// photoOf is a JPEG with an Exif block that tells how the camera was held, and where it was.
func photoOf(t *testing.T, width, height int, turn uint16) []byte {
	t.Helper()
	p := image.NewRGBA(image.Rect(0, 0, width, height))
	p.Set(0, 0, color.White)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, p, nil); err != nil {
		t.Fatal(err)
	}
	// TIFF 6.0: byte order, 42, offset of the first directory; one entry: tag 274, SHORT, one value.
	exif := []byte("Exif\x00\x00II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00")
	exif = binary.LittleEndian.AppendUint16(exif, turn)
	exif = append(exif, "\x00\x00\x00\x00\x00\x00GPS 59.9N"...)
	segment := binary.BigEndian.AppendUint16([]byte{0xff, 0xe1}, uint16(len(exif)+2))
	return append(append(append([]byte{0xff, 0xd8}, segment...), exif...), b.Bytes()[2:]...)
}

// TestS2_OwnPhoto: a photo is written anew, upright and bounded, and nothing beside the picture is kept;
// a bomb is refused by its header.
func TestS2_OwnPhoto(t *testing.T) {
	t.Parallel()
	for turn := range uint16(10) {
		kept, err := ownPhoto(bytes.NewReader(photoOf(t, 8, 4, turn)))
		if err != nil {
			t.Fatal(err)
		}
		p, err := jpeg.Decode(bytes.NewReader(kept))
		if err != nil {
			t.Fatal(err)
		}
		if turned := turn >= 5 && turn <= 8; (p.Bounds().Dx() == 4) != turned {
			t.Errorf("orientation %d: %v", turn, p.Bounds())
		}
		if bytes.Contains(kept, []byte("GPS")) || bytes.Contains(kept, []byte("Exif")) {
			t.Error("what the camera wrote is kept")
		}
	}
	large, err := ownPhoto(bytes.NewReader(photoOf(t, 4000, 1000, 1)))
	if err != nil {
		t.Fatal(err)
	}
	if c, err := jpeg.DecodeConfig(bytes.NewReader(large)); err != nil || c.Width != photoSide || c.Height != photoSide/4 {
		t.Errorf("%+v %v", c, err)
	}
	var small bytes.Buffer
	if err := png.Encode(&small, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		t.Fatal(err)
	}
	// The header says 50,000 × 50,000 pixels (PNG, 11.2.2 IHDR) and nothing follows that could fill them.
	bomb := small.Bytes()
	binary.BigEndian.PutUint32(bomb[16:], 50_000)
	binary.BigEndian.PutUint32(bomb[20:], 50_000)
	binary.BigEndian.PutUint32(bomb[29:], crc32.ChecksumIEEE(bomb[12:29]))
	for name, data := range map[string][]byte{"bomb": bomb, "text": []byte("not a picture"), "empty": nil, "cut": photoOf(t, 8, 4, 1)[:60]} {
		if _, err := ownPhoto(bytes.NewReader(data)); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

// TestUpright: where the first stored pixel is shown (TIFF 6.0, Orientation: the 0th row and column).
func TestUpright(t *testing.T) {
	t.Parallel()
	const w, h = 3, 2
	p := image.NewRGBA(image.Rect(0, 0, w, h))
	p.Set(0, 0, color.White)
	for turn, want := range map[int]image.Point{1: {0, 0}, 2: {w - 1, 0}, 3: {w - 1, h - 1}, 4: {0, h - 1}, 5: {0, 0}, 6: {h - 1, 0}, 7: {h - 1, w - 1}, 8: {0, w - 1}} {
		if r, _, _, _ := upright(p, turn).At(want.X, want.Y).RGBA(); r == 0 {
			t.Errorf("orientation %d: the first pixel is not at %v", turn, want)
		}
	}
}

// FuzzOrientation: whatever a file holds, looking for the camera's orientation ends without a panic.
func FuzzOrientation(f *testing.F) {
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x20Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00"))
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x00"))
	f.Fuzz(func(t *testing.T, data []byte) { _ = orientation(data) })
}

// TestReportWithinAMinute: anybody at a station, signed in or not, reports an incident with a photo within a minute
// at reading speed: every word that is shown is read, though most of it needs no reading.
func TestReportWithinAMinute(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	_, here := w.station(t, w.Machine.ID)
	photo := filepath.Join(t.TempDir(), "photo.jpg")
	if err := os.WriteFile(photo, photoOf(t, 640, 480, 1), 0o600); err != nil {
		t.Fatal(err)
	}
	b := tab{t: t, ctx: browsertest.Open(t, 1024, 768), address: w.serve(t)}
	name, value, _ := strings.Cut(here, "=")
	if _, err := chromedp.Call(b.ctx, network.SetCookie, network.SetCookieParams{Name: name, Value: value, URL: b.address, HTTPOnly: new(true)}); err != nil {
		t.Fatal(err)
	}
	b.visit("/station/" + w.Machine.ID.String())
	if b.value(`String(!!document.querySelector("a[href*='/incidents/new']"))`) != "true" {
		t.Fatal("the station does not lead to the report")
	}
	var effort browsertest.Effort
	effort.Taps++ // on the way there
	b.visit("/incidents/new")
	effort.Reads(b.value(`document.querySelector("main").innerText`))
	const what = "lid open, beam came on"
	choose := func(selector string) {
		t.Helper()
		effort.Taps++
		b.do(chromedp.Click(chromedp.CSS(selector)))
	}
	choose(`input[name=kind][value="near miss"]`)
	choose("#what")
	b.do(chromedp.SendKeys(chromedp.CSS("#what"), what))
	effort.Typed += len(what)
	choose(`input[name=severity][value=none]`)
	choose(`input[name=potential][value="lasting harm"]`)
	effort.Taps += 3 // the camera opens, takes, and is left
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#photo"), []string{photo}))
	effort.Taps++
	b.do(chromedp.Click(chromedp.CSS("main form button.main")))
	b.waits(`document.body?.innerText.includes("It is reported")`)
	t.Logf("%v", effort)
	if took := effort.Time(); took > time.Minute {
		t.Errorf("a report takes %s: %v", took, effort)
	}
	list, err := w.Incidents(t.Context(), [16]byte{}, 1)
	if err != nil || len(list) != 1 || list[0].Photos != 1 || list[0].Station == "" || list[0].What != what {
		t.Fatalf("%+v, %v", list, err)
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Lockout == nil {
		t.Errorf("the machine is in use: %v", err)
	}
}
