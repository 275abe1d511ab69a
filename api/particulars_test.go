package api

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/logbook"
)

// TestParticulars: what tells who was hurt is asked at the station, read and filled in by officers and admins
// alone, each time beside what stood there; the report clock follows, and never says that nothing is due.
func TestParticulars(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operator, officer, adminToken := w.signedIn(t, w.Member), w.signedIn(t, w.Operator), w.signedIn(t, w.Officer), w.signedIn(t, w.Admin)
	job := w.handIn(t, member, 2)
	made, err := w.ReportIncident(t.Context(), w.Operator, db.NewIncident{Kind: db.IncidentExposure, Machine: w.Machine.ID, What: "looked into the beam", Known: db.Known{Severity: "none", Potential: "treatment",
		Particulars: db.Particulars{Hurt: "Runa of the garden", EmergencyStop: "pressed"}}})
	if err != nil {
		t.Fatal(err)
	}
	path := "/incidents/" + made.ID.String()
	const clock = "no word that nothing is due"
	page := w.page(t, officer, path, "Runa of the garden", "red button", clock, "Fill in what is known now", "to clear is not known", "Take its data sheet along")
	if strings.Contains(page, "not reportable") {
		t.Error("a report is said not to be due")
	}
	for name, token := range map[string]string{"member": member, "operator": operator} {
		if page := w.page(t, token, path, "looked into the beam"); strings.Contains(page, "Runa") || strings.Contains(page, "Fill in what is known") {
			t.Errorf("a %s reads the particulars", name)
		}
	}
	fill := func(token string, rev int64, status int, more ...string) {
		t.Helper()
		form := url.Values{"rev": {strconv.FormatInt(rev, 10)}, "severity": {"treatment"}, "potential": {"none"}, "hurt": {"Runa of the garden"}, "hospital": {"yes"}, "visitor": {"yes"}, "days_off": {"9"}}
		for i := 0; i < len(more); i += 2 {
			form.Set(more[i], more[i+1])
		}
		w.submit(t, token, path+"/particulars", form, status)
	}
	fill(member, made.Rev, http.StatusForbidden)
	fill(operator, made.Rev, http.StatusForbidden)
	fill(officer, made.Rev, http.StatusUnprocessableEntity, "days_off", "some")
	fill(officer, made.Rev, http.StatusUnprocessableEntity, "severity", "bad")
	fill(officer, made.Rev, http.StatusUnprocessableEntity, "injury", strings.Repeat("x", 501))
	fill(officer, made.Rev, http.StatusSeeOther)
	fill(adminToken, made.Rev, http.StatusConflict) // somebody else did meanwhile
	// RIDDOR 2013, regulation 5: a non-worker taken to a hospital is reported without delay; regulation 4(2): over
	// seven days off within fifteen days.
	w.page(t, adminToken, path, "Earliest: without delay", "reported as none, could have been treatment", "Filled in by Officer of the garden", "more than seven days off")
	now, err := w.Store.Incident(t.Context(), made.ID)
	if err != nil || now.Severity != "treatment" || now.Potential != "treatment" || now.ToldSeverity != "none" || !now.Particulars.Hospital || now.Particulars.EmergencyStop != "" {
		t.Errorf("%+v, %v", now, err)
	}

	run := job.Runs[1]
	w.submit(t, member, path+"/run", url.Values{"run": {"1"}}, http.StatusForbidden)
	w.submit(t, operator, path+"/run", url.Values{"run": {"4711"}}, http.StatusUnprocessableEntity)
	w.submit(t, operator, path+"/run", url.Values{"run": {strconv.FormatInt(run.Number, 10)}}, http.StatusSeeOther)
	w.submit(t, operator, path+"/run", url.Values{"run": {strconv.FormatInt(run.Number, 10)}}, http.StatusUnprocessableEntity)
	w.page(t, member, path, "Also about", "run "+strconv.FormatInt(run.Number, 10))
	if of, err := w.IncidentsOfRun(t.Context(), run.ID); err != nil || len(of) != 1 || of[0].ID != made.ID {
		t.Errorf("the run has %d incidents, %v", len(of), err)
	}
	var dossier wire.Dossier
	w.as(t, officer, http.MethodGet, "/runs/"+run.ID.String()+"/dossier", "", http.StatusOK, &dossier)
	if n := len(dossier.Entries); len(dossier.Incidents) != 1 || dossier.Incidents[0].Particulars == nil || dossier.Entries[n-1].Kind != string(logbook.IncidentAdded) {
		t.Errorf("the dossier of a run that was tied to it: %d incidents", len(dossier.Incidents))
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
	if _, err := w.AddFollowUp(t.Context(), w.Officer, db.FollowUp{Incident: made.ID, What: "cover the lens", Remedy: "engineering", Owner: w.Member.Person, Due: now.At.AddDate(0, 0, -3)}); err != nil {
		t.Fatal(err)
	}
	w.page(t, member, "/incidents", "To be done", "cover the lens", "overdue")
	if page := w.page(t, operator, "/incidents"); strings.Contains(page, "To be done") {
		t.Error("an operator is told what somebody else is to do")
	}
}

// TestBeamSheet: what a doctor asks stands on one sheet, for anybody at the machine; the room clears as fast as
// its outside air allows, and there is no such time without any.
func TestBeamSheet(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	member, operator := w.signedIn(t, w.Member), w.signedIn(t, w.Operator)
	path := beamSheetPath(w.Machine.ID)
	w.page(t, "", path, "10600 nm", "40 W", "continuous wave", "eye doctor", "eye clinic", "not known; missing: the volume of the room; the outside air")
	at := "/machines/" + w.Machine.ID.String() + "/room"
	w.submit(t, member, at, url.Values{"room_m3": {"50"}, "fresh_m3_per_h": {"150"}}, http.StatusForbidden)
	w.submit(t, operator, at, url.Values{"room_m3": {"much"}}, http.StatusUnprocessableEntity)
	w.submit(t, operator, at, url.Values{"room_m3": {"50"}, "fresh_m3_per_h": {"0"}}, http.StatusSeeOther)
	w.page(t, member, path, "not known; missing: the outside air that the room gets; a recirculating filter gives none")
	w.submit(t, operator, at, url.Values{"room_m3": {"50"}, "fresh_m3_per_h": {"150"}}, http.StatusSeeOther)
	// MMWR 43 (RR-13), table S3-1: (V/Q)·ln 100 is 92 min at 3 air changes an hour; K is 3.
	w.page(t, member, path, "277 min")
	b := w.openTab(t, w.Operator)
	b.visit(path)
	b.inOrder("beam-sheet", ".none")
	made, err := w.ReportIncident(t.Context(), w.Operator, db.NewIncident{Kind: db.IncidentFire, Machine: w.Machine.ID, What: "card burned", Known: db.Known{Severity: "none", Potential: "treatment"}})
	if err != nil {
		t.Fatal(err)
	}
	w.page(t, member, "/incidents/"+made.ID.String(), "277 min")
	officer := w.openTab(t, w.Officer)
	officer.visit("/incidents/" + made.ID.String())
	officer.value(`document.querySelectorAll("details").forEach((d) => d.open = true); ""`)
	officer.inOrder("incident", ".none")
	if _, err := w.MachineRoom(t.Context(), uuid.New()); err == nil {
		t.Error("a machine that is none has a room")
	}
}
