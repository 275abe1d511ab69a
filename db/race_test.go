package db_test

import (
	"errors"
	"fmt"
	"sync"
	"testing"

	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// scene is a run with a permit out, another run waiting behind it, and what a change needs to know.
type scene struct {
	*worker
	t       *testing.T
	permit  db.Permit
	waiting db.Run
	job     db.Job
	auth    db.Authorisation
	worn    db.Pair
}

// A change that voids or starts. n tells goroutines apart.
type racer struct {
	name string
	do   func(s *scene, n int) error
}

func racers() []racer {
	return []racer{
		{"lockout", func(s *scene, n int) error {
			_, err := s.SetLockout(s.t.Context(), s.Officer, s.Machine.ID, fmt.Sprint("belt slipped ", n))
			return err
		}},
		{"verdict", func(s *scene, n int) error {
			return s.SetVerdict(s.t.Context(), s.Officer, s.Material.ID, []material.Verdict{material.WithCare, material.Allowed}[n%2])
		}},
		{"authorisation", func(s *scene, _ int) error {
			return s.WithdrawAuthorisation(s.t.Context(), s.Officer, s.auth.ID)
		}},
		{"profile", func(s *scene, n int) error {
			p := dbtest.Profile()
			p.CornerToleranceUM = int64(21 + n)
			_, err := s.PublishProfile(s.t.Context(), s.Officer, s.Machine.ID, p)
			return err
		}},
		{"pair damaged", func(s *scene, _ int) error {
			_, err := s.LookAtPair(s.t.Context(), s.Operator, s.worn.ID, 0, true)
			return err
		}},
		{"void", func(s *scene, _ int) error {
			_, err := s.Void(s.t.Context(), s.Operator, s.permit.Run.ID, "the permit could not be sent")
			return err
		}},
		{"stop", func(s *scene, _ int) error { return s.NoteStop(s.t.Context(), s.Operator, s.Machine.ID, "station") }},
		{"withdraw", func(s *scene, _ int) error {
			_, err := s.WithdrawJob(s.t.Context(), s.Member, s.job.ID, 0)
			return err
		}},
		{"expire", func(s *scene, _ int) error {
			if _, err := s.Pool.Exec(s.t.Context(), `UPDATE permit SET issued_at = now() - interval '1 hour' WHERE ended = ''`); err != nil {
				return err
			}
			_, err := s.ExpirePermits(s.t.Context())
			return err
		}},
		{"take", func(s *scene, _ int) error {
			text, err := s.Take(s.t.Context(), s.Machine.ID, broker.Taken{Run: s.permit.Run.ID, Permit: s.permit.Digest, Challenge: [32]byte{1, 2, 3}})
			if err == nil {
				_, err = permit.OpenGo(text, s.PermitVerify)
			}
			return err
		}},
		{"sign", func(s *scene, n int) error {
			_, err := s.SignOff(s.t.Context(), s.Operator, s.permit.Run.ID, [32]byte{1, 2, 3}, [32]byte{byte(n)})
			return err
		}},
		{"place", func(s *scene, n int) error {
			_, err := s.Place(s.t.Context(), s.Operator, s.permit.Run.ID, db.Placement{Origin: geom.Pt(int64(20_000+n), 20_000), Homed: true})
			return err
		}},
		{"open another", func(s *scene, _ int) error {
			_, err := s.OpenChecklist(s.t.Context(), s.Operator, s.waiting.ID)
			return err
		}},
	}
}

// Every pair of changes that void or start, by 16 goroutines at once: each either happens or is refused
// as something that a person can understand, never with an inner error and never in a deadlock that
// reaches anybody; and afterwards the invariants hold (I1, I2, I3, I6, I8, I10).
func TestRaces(t *testing.T) {
	t.Parallel()
	all := racers()
	for i, a := range all {
		for _, b := range all[i:] {
			t.Run(a.name+" and "+b.name, func(t *testing.T) {
				t.Parallel()
				s := newScene(t)
				var start, done sync.WaitGroup
				start.Add(1)
				errs := make([]error, 16)
				for n := range errs {
					change := a
					if n%2 == 1 {
						change = b
					}
					done.Go(func() {
						start.Wait()
						errs[n] = change.do(s, n)
					})
				}
				start.Done()
				done.Wait()
				for n, err := range errs {
					var refused *db.Refused
					if err != nil && !errors.As(err, &refused) && !errors.Is(err, db.ErrConflict) && !errors.Is(err, db.ErrNotFound) &&
						!errors.Is(err, db.ErrNotAllowed) && !errors.Is(err, queue.ErrMoved) {
						t.Errorf("goroutine %d: %v", n, err)
					}
				}
				s.holds()
			})
		}
	}
}

func newScene(t *testing.T) *scene {
	t.Helper()
	s := &scene{worker: newWorker(t), t: t}
	s.job = s.Submit(t, 1)
	s.waiting = s.Submit(t, 1).Runs[0]
	s.worn = s.pair(t, "pair 1")
	s.permit = s.signedWith(t, s.job.Runs[0].ID, "pair 1")
	list, err := s.Authorisations(t.Context(), s.Operator.Person)
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	s.auth = list[0]
	return s
}

// holds looks at what must be so whoever was first.
func (s *scene) holds() {
	s.t.Helper()
	if _, err := s.CheckLog(s.t.Context()); err != nil {
		s.t.Error(err)
	}
	for what, sql := range map[string]string{
		"active runs over one":                     `SELECT greatest(count(*) - 1, 0) FROM run WHERE phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting')`,
		"permitted runs without a live permit":     `SELECT count(*) FROM run r WHERE phase = 'permitted' AND NOT EXISTS (SELECT 1 FROM permit WHERE run = r.id AND ended = '')`,
		"live permits of runs that are elsewhere":  `SELECT count(*) FROM permit p JOIN run r ON r.id = p.run WHERE p.ended = '' AND r.phase <> 'permitted'`,
		"started runs without a burn":              `SELECT count(*) FROM run r WHERE phase = 'starting' AND NOT EXISTS (SELECT 1 FROM burn WHERE run = r.id)`,
		"burns of permits that are not burned":     `SELECT count(*) FROM burn b JOIN permit p ON p.digest = b.permit WHERE p.ended <> 'burned'`,
		"permits on a machine that is locked out":  `SELECT count(*) FROM run r JOIN lockout l ON l.machine = r.machine AND l.lifted_at IS NULL WHERE r.phase = 'permitted'`,
		"permits without an authorisation":         `SELECT count(*) FROM run r WHERE r.phase = 'permitted' AND NOT EXISTS (SELECT 1 FROM authorisation a WHERE a.person = r.operator AND a.withdrawn_at IS NULL)`,
		"sheets reserved that nobody waits for":    `SELECT s.reserved - (SELECT count(*) FROM run WHERE phase IN ('proposed', 'checking', 'permitted')) FROM stock s`,
		"waiting runs of withdrawn jobs":           `SELECT count(*) FROM run r JOIN job j ON j.id = r.job WHERE j.withdrawn_at IS NOT NULL AND r.phase IN ('proposed', 'checking', 'permitted')`,
		"permits for a damaged pair":               `SELECT count(*) FROM run r JOIN answer a ON a.run = r.id JOIN pair p ON lower(p.label) = lower(a.given ->> 'pair') WHERE r.phase = 'permitted' AND p.damaged`,
		"answers under a checklist that is closed": `SELECT count(*) FROM answer a JOIN run r ON r.id = a.run WHERE r.phase = 'proposed'`,
	} {
		var n int64
		if err := s.Pool.QueryRow(s.t.Context(), sql).Scan(&n); err != nil || n != 0 {
			s.t.Errorf("%s: %d, %v", what, n, err)
		}
	}
}
