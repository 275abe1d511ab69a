package db_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
)

// TestIncident: reported by somebody at a station who is not signed in, locked out in the same step,
// added to, followed up, and closed only when all is done; then nothing changes it.
func TestIncident(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	code := [32]byte{1}
	if _, err := w.MakeEnrolCode(ctx, w.Officer, db.NewEnrolCode{Kind: db.EnrolsStation, Machine: w.Machine.ID, Name: "tablet", Hash: code}); err != nil {
		t.Fatal(err)
	}
	st, err := w.EnrolStation(ctx, code, [32]byte{2})
	if err != nil {
		t.Fatal(err)
	}
	n := db.NewIncident{Kind: db.IncidentNearMiss, Machine: w.Machine.ID, What: "lid opened while the beam was on", Known: db.Known{Severity: "none", Potential: "lasting harm"},
		LockOut: true, Photo: []byte("a jpeg")}
	if _, err := w.ReportIncident(ctx, db.Actor{}, n); !errors.Is(err, db.ErrNotAllowed) {
		t.Errorf("from nowhere: %v", err)
	}
	for name, change := range map[string]func(*db.NewIncident){
		"kind": func(n *db.NewIncident) { n.Kind = "mishap" }, "nothing said": func(n *db.NewIncident) { n.What = " " },
		"how bad": func(n *db.NewIncident) { n.Severity = "bad" }, "run of another machine": func(n *db.NewIncident) { n.Run = uuid.New() },
	} {
		bad := n
		change(&bad)
		var r *db.Refused
		if _, err := w.ReportIncident(ctx, db.Actor{Station: st.ID}, bad); !errors.As(err, &r) {
			t.Errorf("%s: %v", name, err)
		}
	}
	i, err := w.ReportIncident(ctx, db.Actor{Station: st.ID}, n)
	if err != nil {
		t.Fatal(err)
	}
	if i.Station != "tablet" || i.ReporterName != "" || i.Photos != 1 || i.Potential != "lasting harm" {
		t.Errorf("%+v", i)
	}
	if m, err := w.Store.Machine(ctx, w.Machine.ID); err != nil || m.Lockout == nil {
		t.Errorf("not locked out: %v", err)
	}
	// A second report does not stumble over the lockout.
	second, err := w.ReportIncident(ctx, w.Member, db.NewIncident{Kind: db.IncidentInjury, Machine: w.Machine.ID, What: "burnt finger", Known: db.Known{Severity: "treatment", Potential: "none"}, LockOut: true})
	if err != nil || second.Potential != "treatment" {
		t.Fatalf("%+v %v", second, err)
	}
	if data, err := w.IncidentPhoto(ctx, i.ID, 1); err != nil || string(data) != "a jpeg" {
		t.Errorf("%q %v", data, err)
	}
	if err := w.AddIncidentNote(ctx, w.Officer, i.ID, db.IncidentNote{About: "root cause", Text: "magnet had come off the lid switch"}); err != nil {
		t.Error(err)
	}
	refused(t, w.AddIncidentNote(ctx, w.Officer, i.ID, db.IncidentNote{About: "guess", Text: "x"}), "a fact or a cause")
	task, err := w.AddFollowUp(ctx, w.Officer, db.FollowUp{Incident: i.ID, What: "screw the magnet on", Remedy: "engineering", Owner: w.Operator.Person, Due: time.Now().AddDate(0, 0, 7)})
	if err != nil {
		t.Fatal(err)
	}
	refused(t, w.CloseIncident(ctx, w.Officer, i.ID, "done"), "not done yet")
	if err := w.FinishFollowUp(ctx, w.Member, task, "done"); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("somebody else's follow-up: %v", err)
	}
	if err := w.FinishFollowUp(ctx, w.Operator, task, "screwed on, lid opens the circuit again"); err != nil {
		t.Error(err)
	}
	refused(t, w.FinishFollowUp(ctx, w.Operator, task, "again"), "done already")
	if err := w.CloseIncident(ctx, w.Officer, i.ID, "a switch is looked at every month now"); err != nil {
		t.Fatal(err)
	}
	refused(t, w.AddIncidentNote(ctx, w.Officer, i.ID, db.IncidentNote{About: "fact", Text: "late"}), "is closed")
	refused(t, w.CloseIncident(ctx, w.Officer, i.ID, "twice"), "is closed")
	list, err := w.Incidents(ctx, uuid.Nil, 1)
	if err != nil || len(list) != 1 || list[0].ID != second.ID {
		t.Fatal(list, err)
	}
	if list, err = w.Incidents(ctx, second.ID, 10); err != nil || len(list) != 1 || list[0].ID != i.ID || list[0].ClosedBy != "Officer of the garden" {
		t.Error(list, err)
	}
	entries, err := w.LogEntries(ctx, db.LogFilter{Before: -1, Limit: 50, Subject: i.ID})
	if err != nil {
		t.Fatal(err)
	}
	var kinds []logbook.Kind
	for _, e := range entries {
		kinds = append(kinds, e.Entry.Kind)
	}
	if len(kinds) != 5 || kinds[0] != logbook.IncidentClosed || kinds[4] != logbook.IncidentOpened {
		t.Errorf("%v", kinds)
	}
}

// TestIncidentRates: by month and kind, beside the hours of that month, by hand.
func TestIncidentRates(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	now := time.Date(2026, 3, 15, 12, 0, 0, 0, time.UTC)
	for _, x := range []struct {
		kind db.IncidentKind
		at   time.Time
	}{
		{db.IncidentNearMiss, now}, {db.IncidentNearMiss, now.AddDate(0, 0, -14)}, {db.IncidentFire, now},
		{db.IncidentNearMiss, time.Date(2026, 2, 28, 23, 59, 59, 0, time.UTC)}, {db.IncidentDamage, now.AddDate(0, -8, 0)},
	} {
		if _, err := w.ReportIncident(ctx, w.Member, db.NewIncident{Kind: x.kind, Machine: w.Machine.ID, HappenedAt: x.at, What: "x", Known: db.Known{Severity: "none", Potential: "none"}}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := w.IncidentRates(ctx, now, 6)
	if err != nil || len(got) != 3 {
		t.Fatal(got, err)
	}
	want := []struct {
		month time.Month
		kind  db.IncidentKind
		count int64
	}{{time.March, db.IncidentFire, 1}, {time.March, db.IncidentNearMiss, 2}, {time.February, db.IncidentNearMiss, 1}}
	for i, x := range want {
		if got[i].Month.Month() != x.month || got[i].Kind != x.kind || got[i].Count != x.count || got[i].MachineMS != 0 {
			t.Errorf("%d: %+v, want %+v", i, got[i], x)
		}
	}
}
