package api

import (
	"crypto/sha256"
	"testing"
	"time"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// TestOpenBeamAtTheStation: at a machine whose beam nothing encloses an operator answers for the room, somebody
// else signs in, the run pauses, and the operator resumes it after
// looking again.
func TestOpenBeamAtTheStation(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	ctx := t.Context()
	p := dbtest.Profile()
	p.Enclosure = machine.Enclosure{Kind: machine.EnclosureOpen}
	if _, err := w.PublishProfile(ctx, w.Officer, w.Machine.ID, p); err != nil {
		t.Fatal(err)
	}
	hash, err := HashPassword(ctx, "a long enough password")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.AddPerson(ctx, w.Officer, db.NewPerson{SignInName: "siri", Name: "Siri of the garden", Role: db.RoleMember, PasswordHash: hash}); err != nil {
		t.Fatal(err)
	}
	run := w.Submit(t, 1).Runs[0].ID
	w.asOwner(t, `UPDATE plan SET cut_um = 0, hot_spots = 2`) // light wood is marked in the open, not cut
	w.ready(t, run, 1)
	if _, err := w.OpenChecklist(ctx, w.Operator, run); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Place(ctx, w.Operator, run, db.Placement{Origin: geom.Pt(20_000, 20_000), Homed: true}); err != nil {
		t.Fatal(err)
	}
	answer := func(items ...string) {
		t.Helper()
		for _, a := range dbtest.GoodAnswers(time.Now()) {
			for _, item := range items {
				if a.Item != item {
					continue
				}
				if item == checklist.ItemVentilation {
					a.Values = checklist.Values{"drawn": "yes", "reading": "118"}
				}
				if _, err := w.Answer(ctx, w.Operator, run, item, a.Values); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	answer(checklist.ItemEyewear, checklist.ItemExtinguisher)

	b := w.openTab(t, w.Operator)
	station := "/station/" + w.Machine.ID.String()
	b.visit(station)
	b.waits(`document.querySelector("#bar-room")?.open`)
	b.keep("room")
	tap := func(selector string) {
		t.Helper()
		b.value(`document.querySelector('` + selector + `').click(), ""`)
	}
	tap(`#bar-room input[name="covered"][value="yes"]`)
	b.reach(`#bar-room input[name="people"]`)
	b.press("2")
	b.reach(`#bar-room input[name="pairs"]`)
	b.press("2")
	b.reach(`#bar-room button[value="yes"]`)
	b.press("\r")
	up := func(key string) string {
		return `document.querySelector("#bar-` + key + `")?.closest(".bar").classList.contains("up")`
	}
	b.waits(up("room"))

	answer(checklist.ItemVentilation, checklist.ItemBed, checklist.ItemMaterial)
	b.visit(station)
	b.waits(`document.querySelector("#bar-second")?.open`)
	b.keep("second")
	b.reach("#second-name")
	b.press("s", "i", "r", "i", "\t")
	for _, c := range "a long enough password" {
		b.press(string(c))
	}
	b.press("\r")
	b.waits(up("second"))

	answer(checklist.ItemSupply)
	permit, err := w.SignOff(ctx, w.Operator, run, [32]byte{1, 2, 3}, sha256.Sum256([]byte("token")))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Take(ctx, w.Machine.ID, broker.Taken{Run: run, Permit: permit.Digest, Challenge: [32]byte{1, 2, 3}}); err != nil {
		t.Fatal(err)
	}
	w.says(t, 2, broker.Report{Kind: broker.ReportMoved, Run: run})
	b.visit(station)
	b.keep("running")
	w.says(t, 3, broker.Report{Kind: broker.ReportPaused, Run: run, Reason: "lid open", PauseToken: [32]byte{9}})
	b.visit(station)
	b.waits(`document.querySelector("button.resume")`)
	b.keep("paused")
	for _, name := range []string{"no_glow", "sheet_unmoved", "eyewear_on"} {
		tap(`input[name="` + name + `"][value="yes"]`)
	}
	b.reach("button.resume")
	b.press("\r")
	for range 100 {
		w.floor.mu.Lock()
		sent := len(w.floor.resumes)
		w.floor.mu.Unlock()
		if sent == 1 {
			return
		}
		time.Sleep(50 * time.Millisecond) // nothing tells when the server was asked
	}
	t.Error("no leave to resume went out")
}
