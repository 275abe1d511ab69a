package db_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// What stands for a second person on a site of one, one row each: what the gate refuses there, what lifts the
// refusal, and whether the run is then signed. Nothing lifts what has no substitute. A workshop is asked for a
// second person in place of it, or for the same.
func TestAloneSubstitutes(t *testing.T) {
	t.Parallel()
	const large, small = `UPDATE plan SET width_um = 90000, height_um = 90000`, `UPDATE plan SET width_um = 60000, height_um = 60000`
	anew := func(t *testing.T, w *worker) uuid.UUID { t.Helper(); return w.Submit(t, 1).Runs[0].ID }
	flamed := func(t *testing.T, w *worker) {
		t.Helper()
		w.worked(t, anew(t, w), broker.Report{Kind: broker.ReportStopped}, db.Inspection{Fate: db.SheetScrapped, SupplyOff: true, FlameOrGlow: true})
		if err := w.LiftLockout(t.Context(), w.Officer, w.Machine.ID, "cleaned and looked at"); err != nil {
			t.Fatal(err)
		}
	}
	for name, row := range map[string]struct {
		before  func(t *testing.T, w *worker) uuid.UUID
		refuses string                        // what the gate says; empty where it asks
		asks    string                        // the item that it asks besides
		denied  checklist.Values              // an answer to it that stays down
		given   checklist.Values              // and one that lifts it
		lifts   func(t *testing.T, w *worker) // what lifts the refusal; nil where nothing does
	}{
		"a new material, a whole sheet first": {
			before: func(t *testing.T, w *worker) uuid.UUID { run := anew(t, w); w.sql(t, large); return run }, refuses: "larger than 60 × 60 mm",
			lifts: func(t *testing.T, w *worker) {
				w.sql(t, small)
				piece := anew(t, w)
				if err := w.TakeRun(t.Context(), w.Operator, piece, "a test piece goes first"); err != nil {
					t.Fatal(err)
				}
				w.worked(t, piece, broker.Report{Kind: broker.ReportCompleted}, kept)
				w.sql(t, large)
			},
		},
		"a new material, a test piece that flamed": {
			before: func(t *testing.T, w *worker) uuid.UUID {
				w.sql(t, `UPDATE site SET kind = 'workshop'`)
				w.worked(t, anew(t, w), broker.Report{Kind: broker.ReportCompleted}, db.Inspection{Fate: db.SheetScrapped, SupplyOff: true, FlameOrGlow: true})
				if err := w.LiftLockout(t.Context(), w.Officer, w.Machine.ID, "cleaned"); err != nil {
					t.Fatal(err)
				}
				w.sql(t, `UPDATE site SET kind = 'alone'`)
				w.sql(t, `UPDATE lockout SET set_at = set_at - interval '1 hour', lifted_at = lifted_at - interval '1 hour'`)
				run := anew(t, w)
				w.sql(t, large)
				return run
			}, refuses: "larger than 60 × 60 mm",
		},
		"a new material, a test piece": {before: func(t *testing.T, w *worker) uuid.UUID { run := anew(t, w); w.sql(t, small); return run }},
		"after a lockout": {
			before: func(t *testing.T, w *worker) uuid.UUID {
				run := anew(t, w)
				if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "belt slipped"); err != nil {
					t.Fatal(err)
				}
				if err := w.LiftLockout(t.Context(), w.Officer, w.Machine.ID, "belt tightened"); err != nil {
					t.Fatal(err)
				}
				return run
			}, refuses: "rests ten minutes",
			lifts: func(t *testing.T, w *worker) {
				w.sql(t, `UPDATE lockout SET set_at = set_at - interval '10 minutes', lifted_at = lifted_at - interval '10 minutes'`)
			},
		},
		"after a flame": {
			before: func(t *testing.T, w *worker) uuid.UUID { flamed(t, w); return anew(t, w) }, refuses: "rests ten minutes",
			lifts: func(t *testing.T, w *worker) {
				w.sql(t, `UPDATE lockout SET set_at = set_at - interval '10 minutes', lifted_at = lifted_at - interval '10 minutes'`)
			},
		},
		"an open beam": {
			before: func(t *testing.T, w *worker) uuid.UUID {
				w.sql(t, `UPDATE plan SET cut_um = 0`) // light wood is marked in the open, not cut
				w.openTheBeam(t)
				run := anew(t, w)
				w.sql(t, `UPDATE plan SET cut_um = 0`)
				return run
			}, asks: checklist.ItemRoom,
			denied: checklist.Values{"covered": "yes", "people": "2", "pairs": "1", "door": "yes"},
			given:  checklist.Values{"covered": "yes", "people": "2", "pairs": "2", "door": "yes"},
		},
		"a contact is named": {
			before: func(t *testing.T, w *worker) uuid.UUID {
				if err := w.NameContact(t.Context(), w.Officer, "a neighbour, by telephone"); err != nil {
					t.Fatal(err)
				}
				return anew(t, w)
			}, asks: checklist.ItemContact, denied: checklist.Values{"told": "no"}, given: checklist.Values{"told": "yes"},
		},
		"no contact is named": {before: anew},
		"a hot spot": {before: func(t *testing.T, w *worker) uuid.UUID {
			run := anew(t, w)
			w.sql(t, `UPDATE plan SET hot_spots = 1`)
			return run
		}, refuses: "this site has one person"},
		"reflective work": {
			before: func(t *testing.T, w *worker) uuid.UUID {
				run := anew(t, w)
				w.hazard(t, "reflects the beam")
				return run
			}, refuses: "reflective work",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorker(t)
			w.sql(t, `UPDATE site SET kind = 'alone'`)
			run := row.before(t, w)
			gate := func() (db.Gate, string) {
				t.Helper()
				g, err := w.Gate(t.Context(), w.Operator, run)
				if err != nil {
					t.Fatal(err)
				}
				var all []string
				for _, r := range g.Reasons {
					all = append(all, r.What)
				}
				return g, strings.Join(all, "; ")
			}
			g, said := gate()
			if hasItem(g, checklist.ItemSecond) {
				t.Error("a site of one is asked for a second person")
			}
			if row.refuses != "" {
				if !strings.Contains(said, row.refuses) {
					t.Fatalf("the gate says %q", said)
				}
				if row.lifts == nil {
					var no *db.Refused
					w.says(t, broker.Report{Kind: broker.ReportReady, Run: run, Revision: 1})
					if _, err := w.OpenChecklist(t.Context(), w.Operator, run); !errors.As(err, &no) {
						t.Errorf("opened all the same: %v", err)
					}
					return
				}
				row.lifts(t, w)
				if _, said := gate(); strings.Contains(said, row.refuses) {
					t.Fatalf("still says %q", said)
				}
			}
			w.atTheGate(t, run)
			for _, key := range []string{checklist.ItemRoom, checklist.ItemContact} {
				if g, _ := gate(); hasItem(g, key) != (key == row.asks) {
					t.Fatalf("asks for %s: %t", key, hasItem(g, key))
				}
			}
			if row.asks != "" {
				if _, err := w.Answer(t.Context(), w.Operator, run, row.asks, row.denied); err != nil {
					t.Fatal(err)
				}
				w.answerWithout(t, run, row.asks)
				if _, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1}, [32]byte{2}); err == nil {
					t.Fatal("signed though the answer was no")
				}
				if _, err := w.Answer(t.Context(), w.Operator, run, row.asks, row.given); err != nil {
					t.Fatal(err)
				}
			}
			w.answerWithout(t, run, row.asks)
			if _, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1}, [32]byte{2}); err != nil {
				t.Error(err)
			}
		})
	}
}

// answerWithout gives the good answers to all items but the one named, and to the supply where it may be.
func (w *worker) answerWithout(t *testing.T, run uuid.UUID, but string) {
	t.Helper()
	for _, a := range dbtest.GoodAnswers(time.Now()) {
		if a.Item == checklist.ItemVentilation {
			a.Values = checklist.Values{"drawn": "yes", "reading": "118"} // an open machine asks for both
		}
		var no *db.Refused
		if _, err := w.Answer(t.Context(), w.Operator, run, a.Item, a.Values); err != nil && (a.Item != checklist.ItemSupply || but == "" || !errors.As(err, &no)) {
			t.Fatalf("%s: %v", a.Item, err)
		}
	}
}

// openTheBeam takes the lid off the workshop's cutter.
func (w *worker) openTheBeam(t *testing.T) {
	t.Helper()
	p := dbtest.Profile()
	p.Enclosure = machine.Enclosure{Kind: machine.EnclosureOpen}
	if _, err := w.PublishProfile(t.Context(), w.Officer, w.Machine.ID, p); err != nil {
		t.Fatal(err)
	}
}

func (w *worker) hazard(t *testing.T, text string) {
	t.Helper()
	m, err := w.Store.Material(t.Context(), w.Material.ID)
	if err != nil {
		t.Fatal(err)
	}
	m.Hazards = append(m.Hazards, text)
	if _, err := w.ChangeMaterial(t.Context(), w.Officer, w.Material.ID, 0, m.Material, "seen to reflect"); err != nil {
		t.Fatal(err)
	}
}
