package db_test

import (
	"errors"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
	"kerfgate/queue"
)

// The phase table in Go is the only source; the table in SQL and the one that the offline check
// uses are held to it, every pair of phase and event.
func TestPhaseTablesAgree(t *testing.T) {
	t.Parallel()
	e := dbtest.New(t)
	rows, err := e.Pool.Query(t.Context(), `SELECT from_phase, event, to_phase, outcome FROM phase_move`)
	if err != nil {
		t.Fatal(err)
	}
	inSQL, err := pgx.CollectRows(rows, pgx.RowToStructByPos[queue.Move])
	if err != nil {
		t.Fatal(err)
	}
	find := func(p queue.Phase, ev queue.Event) (queue.Move, bool) {
		for _, m := range inSQL {
			if m.From == p && m.Event == ev {
				return m, true
			}
		}
		return queue.Move{}, false
	}
	for _, p := range queue.Phases() {
		for _, ev := range queue.Events() {
			want, err := p.After(ev)
			got, ok := find(p, ev)
			if ok != (err == nil) || got != want {
				t.Errorf("%s × %s: Go says %v (%v), SQL %v (%v)", p, ev, want, err, got, ok)
			}
		}
	}
	offline := make(map[string]bool)
	for _, m := range logbook.RunMoves() {
		offline[fmt.Sprint(m)] = true
	}
	for _, m := range queue.Moves() {
		key := fmt.Sprint(logbook.RunMove{Kind: logbook.Kind("run." + string(m.Event)), From: string(m.From), To: string(m.To), Outcome: string(m.Outcome)})
		if !offline[key] {
			t.Errorf("the offline check does not know %s × %s → %s %q", m.From, m.Event, m.To, m.Outcome)
		}
	}
}

// Every UPDATE of a phase that the table does not hold is refused by the database itself, whatever
// the program thinks.
func TestPhaseGuardInDatabase(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	run := w.Submit(t, 1).Runs[0]
	for _, to := range queue.Phases() {
		for _, ev := range queue.Events() {
			if to == queue.Proposed {
				continue // no change of phase
			}
			move, err := queue.Proposed.After(ev)
			tx, beginErr := w.Pool.Begin(t.Context())
			if beginErr != nil {
				t.Fatal(beginErr)
			}
			_, execErr := tx.Exec(t.Context(), `UPDATE run SET phase = $2, last_event = $3, outcome = $4 WHERE id = $1`,
				run.ID, to, ev, outcomeFor(to, move))
			var pg *pgconn.PgError
			allowed := err == nil && move.To == to
			if allowed && execErr != nil || !allowed && !errors.As(execErr, &pg) {
				t.Errorf("proposed → %s by %s: %v", to, ev, execErr)
			}
			if err := tx.Rollback(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func outcomeFor(to queue.Phase, m queue.Move) queue.Outcome {
	if m.Outcome != "" {
		return m.Outcome
	}
	if to == queue.Closed {
		return queue.OutcomeCompleted
	}
	return ""
}
