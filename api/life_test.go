package api

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// says is what the machine's worker reports; numbers follow each other from what ready began with.
func (w *workshop) says(t *testing.T, number int64, rep broker.Report) {
	t.Helper()
	rep.Number = number
	if n, _, err := w.Apply(t.Context(), w.Machine.ID, rep); err != nil || n != number {
		t.Fatalf("report %d %s: applied %d, %v", number, rep.Kind, n, err)
	}
}

// looked is what the operator says before a paused run goes on.
const looked = `{"no_glow":true,"sheet_unmoved":true,"eyewear_on":true}`

// TestLife: a run from its queue to its closing and what follows a flame, each step by HTTP and each
// refused once where it is too early.
func TestLife(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operator, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	job := w.handIn(t, member, 2)
	run, machine := job.Runs[0], "/machines/"+w.Machine.ID.String()
	path := "/runs/" + run.ID.String()
	refused := func(token, method, path, body string) {
		t.Helper()
		w.as(t, token, method, path, body, http.StatusUnprocessableEntity, nil)
	}
	early := func(token, method, path, body string) {
		t.Helper()
		w.as(t, token, method, path, body, http.StatusConflict, nil)
	}
	refused(member, http.MethodGet, "/jobs?limit=0", "")
	w.ready(t, run.ID, 1)
	w.as(t, operator, http.MethodPost, path+"/checklist", "", http.StatusOK, nil)
	w.as(t, operator, http.MethodDelete, path+"/checklist", "", http.StatusOK, &run)
	if run.Phase != string(queue.Proposed) {
		t.Fatalf("given back: %s", run.Phase)
	}
	w.atTheGate(t, operator, run)
	refused(operator, http.MethodPut, path+"/answers/eyewear", `{"values":{}}`)
	var signed wire.SignedOff
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusOK, &signed)
	text, err := w.Take(t.Context(), w.Machine.ID, broker.Taken{Run: run.ID, Permit: mustDigest(t, signed.PermitDigest), Challenge: w.floor.challenge})
	if err != nil {
		t.Fatal(err)
	}
	if answer, err := permit.OpenGo(text, w.PermitVerify); err != nil || !answer.Granted {
		t.Fatalf("go: %+v, %v", answer, err)
	}
	w.says(t, 2, broker.Report{Kind: broker.ReportMoved, Run: run.ID})
	early(operator, http.MethodPost, path+"/resume", looked)
	w.says(t, 3, broker.Report{Kind: broker.ReportPaused, Run: run.ID, Reason: "pressed", PauseToken: [32]byte{9}})
	w.as(t, officer, http.MethodPost, machine+"/lockout", `{"reason":"smell of solvent"}`, http.StatusCreated, nil)
	refused(operator, http.MethodPost, path+"/resume", looked)
	w.as(t, officer, http.MethodPost, machine+"/lockout/lift", `{"reason":"a neighbour's paint"}`, http.StatusNoContent, nil)
	w.as(t, operator, http.MethodPost, path+"/resume", `{"no_glow":true,"sheet_unmoved":false,"eyewear_on":true}`, http.StatusUnprocessableEntity, nil)
	w.as(t, operator, http.MethodPost, path+"/resume", looked, http.StatusAccepted, nil)
	if len(w.floor.resumes) != 1 {
		t.Errorf("%d leaves to resume went out", len(w.floor.resumes))
	}
	w.says(t, 4, broker.Report{Kind: broker.ReportResumed, Run: run.ID})
	w.says(t, 5, broker.Report{Kind: broker.ReportCompleted, Run: run.ID, RealMS: 12_000})
	picture := []byte("\x89PNG\r\n\x1a\n of the sheet")
	w.says(t, 6, broker.Report{Kind: broker.ReportPicture, Run: run.ID, Picture: picture})
	early(operator, http.MethodPost, path+"/inspection", `{"sheet":"kept","flame_or_glow":false,"supply_off":true}`)
	w.says(t, 7, broker.Report{Kind: broker.ReportPurged, Run: run.ID})
	refused(operator, http.MethodPost, path+"/inspection", `{"sheet":"kept","flame_or_glow":false,"supply_off":false}`)
	if rec := w.as(t, member, http.MethodGet, path+"/picture.png", "", http.StatusOK, nil); rec.Body.String() != string(picture) {
		t.Errorf("picture %q", rec.Body)
	}
	w.as(t, operator, http.MethodPost, path+"/inspection", `{"sheet":"scrapped","flame_or_glow":true,"supply_off":true}`, http.StatusOK, &run)
	if run.Phase != string(queue.Closed) || !run.FlameOrGlow {
		t.Fatalf("inspected: %+v", run)
	}
	refused(operator, http.MethodPost, "/runs/"+job.Runs[1].ID.String()+"/checklist", "") // locked out
	refused(operator, http.MethodPost, machine+"/watch/close", "")                        // too early
	w.asOwner(t, `UPDATE watch SET until = now() - interval '1 second'`)
	w.as(t, operator, http.MethodPost, machine+"/watch/close", "", http.StatusNoContent, nil)
	refused(officer, http.MethodPost, machine+"/lockout/lift", `{"reason":" "}`)
	w.as(t, officer, http.MethodPost, machine+"/lockout/lift", `{"reason":"bed cleaned, extraction mended"}`, http.StatusNoContent, nil)
	w.as(t, member, http.MethodPost, "/jobs/"+job.ID.String()+"/withdraw", "", http.StatusOK, nil)
	refused(member, http.MethodPost, "/jobs/"+job.ID.String()+"/withdraw", "") // once is enough
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Errorf("the logbook: %v", err)
	}
	w.dossierOf(t, officer, path)
}

// dossierOf reads the dossier of TestLife's run: as it was signed, though standing answers have run out
// since, with what befell the machine, and every entry proven.
func (w *workshop) dossierOf(t *testing.T, officer, path string) {
	t.Helper()
	w.asOwner(t, `UPDATE standing_answer SET at = at - interval '5 hours'`)
	var d wire.Dossier
	w.as(t, officer, http.MethodGet, path+"/dossier", "", http.StatusOK, &d)
	if d.Authorisation == nil || *d.Authorisation.Evidence != "supervised run" || d.SignedAt == nil {
		t.Errorf("signed under %+v", d.Authorisation)
	}
	for _, b := range d.Bars {
		// How it was placed is shown and bound; it is no question.
		if b.Needs == "" || len(b.Values) == 0 && b.Key != checklist.ShownPlacement || b.Key == "eyewear" && (b.Values["marking"] != "10600 D LB6" || len(b.Numbers) == 0) {
			t.Errorf("%+v", b)
		}
	}
	if len(d.Bars) != 7 || len(d.Lockouts) != 2 || d.Lockouts[0].LiftedReason != "a neighbour's paint" || len(d.Watches) != 1 || len(d.Incidents) != 1 {
		t.Errorf("%d bars, lockouts %+v, watches %+v, incidents %+v", len(d.Bars), d.Lockouts, d.Watches, d.Incidents)
	}
	kinds := ""
	for _, e := range d.Entries {
		kinds += e.Kind + " "
		proof, err := logbook.ParseEntryProof([]byte(e.Proof))
		if err == nil {
			_, err = proof.Check(e.Data, w.LogVerify)
		}
		if err != nil {
			t.Errorf("entry %d is not proven: %v", e.Index, err)
		}
	}
	for _, kind := range []string{"run.proposed ", "run.signed ", "run.burned ", "run.moved ", "run.completed ", "run.inspected "} {
		before, after, found := strings.Cut(kinds, kind)
		if !found || strings.Contains(before, "run.inspected ") || kind == "run.proposed " && strings.Contains(after, "run.proposed ") {
			t.Errorf("%s in %s", kind, kinds)
		}
	}
	page := ask(t, w.s.Handler(), http.MethodGet, path+"/dossier", officer, "", "Accept", "text/html")
	if html := page.Body.String(); page.Code != http.StatusOK || !strings.Contains(html, "smell of solvent") || !strings.Contains(html, "supervised run") || !strings.Contains(html, "c2sp.org/tlog-proof") {
		t.Errorf("the page: %d %s", page.Code, html)
	}
}

// TestMachineSays: what the profile knows of beam, axes and switch reaches scripts in their units.
func TestMachineSays(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	m := machineShape(w.Machine, time.Now())
	if m.SpeedXMmPerS != nil || m.SpeedYMmPerS != nil || m.BacklashXMm != 0 || m.Tools[0].BeamMm != nil || m.Tools[0].DivergenceMrad != nil {
		t.Errorf("what is not known is left out: %+v", m)
	}
	profile := w.Machine.Profile
	profile.SpeedYUMPerS, profile.BacklashXUM = 80_000, 35
	profile.Tools[0].BeamUM, profile.Tools[0].DivergenceURad, profile.Tools[0].Switch.InMotion = 6_000, 2_300, true
	w.Machine.Profile = profile
	m = machineShape(w.Machine, time.Now())
	if m.SpeedXMmPerS != nil || *m.SpeedYMmPerS != 80 || m.BacklashXMm != 0.035 || m.BacklashYMm != 0 {
		t.Errorf("axes: %+v", m)
	}
	if tool := m.Tools[0]; *tool.BeamMm != 6 || *tool.DivergenceMrad != 2.3 || !tool.SwitchInMotion {
		t.Errorf("tool: %+v", tool)
	}
}
