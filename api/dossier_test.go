package api

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/ledongthuc/pdf"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"

	"kerfgate/api/wire"
	"kerfgate/db/logbook"
	"kerfgate/queue/broker"
)

// ranWhole brings a first run to its closing with a flame, an incident with a photo, and a note about it.
func (w *workshop) ranWhole(t *testing.T) (member, officer, path string) {
	t.Helper()
	member, officer = w.signedIn(t, w.Member), w.signedIn(t, w.Officer)
	operator := w.signedIn(t, w.Operator)
	job := w.handIn(t, member, 1)
	run := job.Runs[0]
	path = "/runs/" + run.ID.String()
	w.ready(t, run.ID, 1)
	w.atTheGate(t, operator, run)
	var signed wire.SignedOff
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusOK, &signed)
	if _, err := w.Take(t.Context(), w.Machine.ID, broker.Taken{Run: run.ID, Permit: mustDigest(t, signed.PermitDigest), Challenge: w.floor.challenge}); err != nil {
		t.Fatal(err)
	}
	w.says(t, 2, broker.Report{Kind: broker.ReportMoved, Run: run.ID})
	w.says(t, 3, broker.Report{Kind: broker.ReportCompleted, Run: run.ID, RealMS: 12_000})
	w.says(t, 4, broker.Report{Kind: broker.ReportPicture, Run: run.ID, Picture: testPNG(t)})
	w.says(t, 5, broker.Report{Kind: broker.ReportPurged, Run: run.ID})
	w.as(t, operator, http.MethodPost, path+"/inspection", `{"sheet":"scrapped","flame_or_glow":true,"supply_off":true}`, http.StatusOK, nil)
	incidents, err := w.IncidentsOfRun(t.Context(), run.ID)
	if err != nil || len(incidents) != 1 {
		t.Fatalf("%d incidents, %v", len(incidents), err)
	}
	photo, err := ownPhoto(bytes.NewReader(testPNG(t)))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.AddIncidentPhoto(t.Context(), w.Officer, incidents[0].ID, photo); err != nil {
		t.Fatal(err)
	}
	w.as(t, officer, http.MethodPost, "/incidents/"+incidents[0].ID.String()+"/notes", `{"about":"fact","text":"the air hose had come off; Žofie heard it: 漢 𝄞"}`, http.StatusNoContent, nil)
	return member, officer, path
}

func testPNG(t *testing.T) []byte {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, 60, 40))
	for x := range 60 {
		img.Set(x, x*40/60, color.RGBA{200, 30, 30, 255})
	}
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// TestDossierOnPaper: the PDF, read back by a library that shares nothing with the one that wrote it, tells what
// the dossier as data tells; its code is the signed head; and it is the same file byte for byte until something
// is added about the run.
func TestDossierOnPaper(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, officer, path := w.ranWhole(t)
	w.as(t, member, http.MethodGet, path+"/dossier.pdf", "", http.StatusForbidden, nil)
	w.as(t, officer, http.MethodGet, "/runs/00000000-0000-7000-8000-000000000000/dossier.pdf", "", http.StatusNotFound, nil)
	rec := w.as(t, officer, http.MethodGet, path+"/dossier.pdf", "", http.StatusOK, nil)
	file := bytes.Clone(rec.Body.Bytes())
	if dir := os.Getenv("KERFGATE_ARTEFACTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, "dossier.pdf"), file, 0o600); err != nil {
			t.Error(err)
		}
	}
	if kind := rec.Header().Get("Content-Type"); kind != "application/pdf" {
		t.Errorf("sent as %s", kind)
	}
	var d wire.Dossier
	w.as(t, officer, http.MethodGet, path+"/dossier", "", http.StatusOK, &d)
	w.as(t, officer, http.MethodPost, "/machines/"+w.Machine.ID.String()+"/lockout/lift", `{"reason":"bed cleaned"}`, http.StatusNoContent, nil)
	var again wire.Dossier
	w.as(t, officer, http.MethodGet, path+"/dossier", "", http.StatusOK, &again)
	if d.Head != again.Head || len(again.Entries) != len(d.Entries) {
		t.Error("the dossier's head changed though nothing was added about the run")
	}
	w.asOwner(t, `UPDATE lockout SET lifted_at = NULL, lifted_by = NULL, lifted_reason = NULL WHERE lifted_reason = 'bed cleaned'`)
	if other := w.as(t, officer, http.MethodGet, path+"/dossier.pdf", "", http.StatusOK, nil).Body.Bytes(); !bytes.Equal(file, other) {
		t.Errorf("written twice it differs: %d and %d bytes", len(file), len(other))
	}

	text, squares := readPDF(t, file)
	tells := func(what string) {
		t.Helper()
		if !strings.Contains(text, plain(what)) {
			t.Errorf("the PDF does not tell %q", what)
		}
	}
	for _, what := range []string{"Dossier of run " + strconv.FormatInt(d.Run.Number, 10), d.Run.JobTitle, d.Run.MemberName, d.Run.OperatorName, d.Run.MaterialName, d.Run.StockLot,
		d.Run.Plan, d.Profile, d.Plan.Planner, *d.Authorisation.Evidence, "scrapped", "flame or glow was seen", "Photo of an incident", "estimate"} {
		tells(what)
	}
	for _, b := range d.Bars {
		tells(b.Title)
		tells(b.Needs)
		for _, n := range b.Numbers {
			tells(n)
		}
	}
	for _, x := range d.Plan.Warnings {
		tells(x.What[1:])
	}
	for _, l := range d.Lockouts {
		tells(l.Reason)
	}
	for _, i := range d.Incidents {
		tells(i.Incident.What)
		for _, n := range i.Notes {
			tells(strings.TrimSuffix(n.Text, "漢 𝄞") + "� �") // what the face lacks is said to be missing
		}
	}
	if len(d.Entries) < 20 || len(d.Bars) < 6 || len(d.Photos) != 1 || len(d.Incidents) != 1 || d.Estimate == nil {
		t.Errorf("%d entries, %d bars, %d photos, %d incidents, estimate %v", len(d.Entries), len(d.Bars), len(d.Photos), len(d.Incidents), d.Estimate)
	}
	for _, e := range d.Entries {
		tells(strconv.FormatInt(e.Index, 10) + " ")
		proof, err := logbook.ParseEntryProof([]byte(e.Proof))
		if err != nil || string(proof.Head) != d.Head {
			t.Fatalf("entry %d: %v, or proven under another head", e.Index, err)
		}
		for _, h := range proof.Hashes {
			tells(h.String())
		}
	}
	if read := decodeQR(t, squares); read != d.Head {
		t.Errorf("the code holds %q, the head is %q", read, d.Head)
	}
	if head, err := logbook.OpenHead([]byte(d.Head), w.LogVerify); err != nil || head.Size <= d.Entries[len(d.Entries)-1].Index {
		t.Errorf("the head: %+v, %v", head, err)
	}

	w.as(t, officer, http.MethodPost, "/incidents/"+d.Incidents[0].Incident.ID.String()+"/notes", `{"about":"root cause","text":"a clip was missing"}`, http.StatusNoContent, nil)
	later, _ := readPDF(t, w.as(t, officer, http.MethodGet, path+"/dossier.pdf", "", http.StatusOK, nil).Body.Bytes())
	if !strings.Contains(later, plain("a clip was missing")) || !strings.Contains(later, plain("the air hose had come off")) {
		t.Error("what was added later does not stand beside what stood there")
	}
}

// TestDossierThen: a dossier reckons with the profile, the authorisation and the upkeep that stood when the run
// was signed, whatever came after.
func TestDossierThen(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.asOwner(t, `UPDATE authorisation SET idle_months = 3`)
	w.asOwner(t, `UPDATE stock SET grammage_g_per_m2 = 1500`) // poplar plywood of 3 mm: 500 kg/m³
	_, officer, path := w.ranWhole(t)
	var before, after wire.Dossier
	w.as(t, officer, http.MethodGet, path+"/dossier", "", http.StatusOK, &before)
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	m.Profile.Air.MeasuredFlowM3PerH *= 2
	if _, err := w.PublishProfile(t.Context(), w.Officer, m.ID, m.Profile); err != nil {
		t.Fatal(err)
	}
	w.asOwner(t, `UPDATE authorisation SET used_at = now() + interval '40 days', withdrawn_at = now()`)
	w.as(t, officer, http.MethodGet, path+"/dossier", "", http.StatusOK, &after)
	if before.Estimate == nil || before.Estimate.Value == nil || after.Estimate == nil || after.Estimate.Value == nil || *before.Estimate.Value != *after.Estimate.Value || before.Profile != after.Profile {
		t.Errorf("the estimate was %s and is %s", text(before.Estimate.Shown), text(after.Estimate.Shown))
	}
	if !before.Authorisation.ExpiresAt.Equal(after.Authorisation.ExpiresAt) || after.AuthorisationWithdrawnAt == nil || before.AuthorisationWithdrawnAt != nil {
		t.Errorf("the authorisation ended %s and ends %s, withdrawn %v", before.Authorisation.ExpiresAt, after.Authorisation.ExpiresAt, after.AuthorisationWithdrawnAt)
	}
}

// readPDF reads a document's text, without white space, and its filled rectangles.
func readPDF(t *testing.T, file []byte) (string, []pdf.Rect) {
	t.Helper()
	r, err := pdf.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	var rects []pdf.Rect
	for n := range r.NumPage() {
		page := r.Page(n + 1)
		rects = append(rects, page.Content().Rect...)
		// The codes are UTF-16 (the map in the file says the same of all of them at once, of which this reader
		// minds the last byte alone).
		pdf.Interpret(page.V.Key("Contents"), func(stack *pdf.Stack, op string) {
			var args []pdf.Value
			for stack.Len() > 0 {
				args = append(args, stack.Pop())
			}
			if op != "Tj" || len(args) != 1 {
				return
			}
			raw := args[0].RawString()
			codes := make([]uint16, len(raw)/2)
			for i := range codes {
				codes[i] = uint16(raw[2*i])<<8 | uint16(raw[2*i+1])
			}
			text.WriteString(string(utf16.Decode(codes)))
		})
	}
	return plain(text.String()), rects
}

// plain is a text without the white space at which lines break.
func plain(text string) string { return strings.Join(strings.Fields(text), "") }

// decodeQR paints rectangles and reads the code that they make.
func decodeQR(t *testing.T, squares []pdf.Rect) string {
	t.Helper()
	// All rows of the code are equally high; nothing else in the document is filled.
	left, top, right, bottom := 1e9, 1e9, 0.0, 0.0
	for _, q := range squares {
		left, top, right, bottom = min(left, q.Min.X, q.Max.X), min(top, q.Min.Y, q.Max.Y), max(right, q.Min.X, q.Max.X), max(bottom, q.Min.Y, q.Max.Y)
	}
	const scale, margin = 4, 40
	img := image.NewGray(image.Rect(0, 0, int((right-left)*scale)+2*margin, int((bottom-top)*scale)+2*margin))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for _, q := range squares {
		for y := int((min(q.Min.Y, q.Max.Y) - top) * scale); y < int((max(q.Min.Y, q.Max.Y)-top)*scale); y++ {
			for x := int((min(q.Min.X, q.Max.X) - left) * scale); x < int((max(q.Min.X, q.Max.X)-left)*scale); x++ {
				img.SetGray(x+margin, img.Rect.Max.Y-1-y-margin, color.Gray{}) // PDF's y grows upwards
			}
		}
	}
	return readQR(t, img)
}

// readQR reads the code on a picture.
func readQR(t *testing.T, img image.Image) string {
	t.Helper()
	bitmap, err := gozxing.NewBinaryBitmapFromImage(img)
	if err != nil {
		t.Fatal(err)
	}
	read, err := qrcode.NewQRCodeReader().Decode(bitmap, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true})
	if err != nil {
		t.Fatal(err)
	}
	return read.GetText()
}
