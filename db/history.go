package db

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"kerfgate/queue"
)

// HistoryFilter picks runs that are over, newest first. Zero values pick all.
type HistoryFilter struct {
	Machine  uuid.UUID
	Person   uuid.UUID // who handed in or attended
	Material uuid.UUID
	// Outcome is one outcome; empty leaves out only what was withdrawn before it started.
	Outcome  queue.Outcome
	From, To time.Time // of the end: From ≤ end < To
	After    uuid.UUID // a run that was read last; only runs that ended before it
	Limit    int       // 0 for no limit
}

// History lists runs that are over. Who is neither officer nor admin sees what they handed in or
// attended. Errors: ErrNotFound where After is no run that is over.
func (s *Store) History(ctx context.Context, actor Actor, f HistoryFilter) ([]Run, error) {
	var list []Run
	err := s.EachOver(ctx, actor, f, func(r Run) error {
		list = append(list, r)
		return nil
	})
	return list, err
}

// EachOver gives every run that the filter picks to each as it comes from the database, so that a long
// history is never held whole; it ends with each's error. See History.
func (s *Store) EachOver(ctx context.Context, actor Actor, f HistoryFilter, each func(Run) error) error {
	picked, args, err := s.pickOver(ctx, actor, f)
	if err != nil {
		return err
	}
	// The page stands first: behind the other tables it would be one too many for the planner, which
	// orders eight at once (join_collapse_limit) and would read every run there is for it.
	rows, err := s.pool.Query(ctx, runColumns+`FROM (`+picked+`) page JOIN run r ON r.id = page.id `+runJoins+`ORDER BY r.ended_at DESC, r.id DESC`, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		r, err := scanRun(rows)
		if err != nil {
			return err
		}
		if err := each(r); err != nil {
			return err
		}
	}
	return rows.Err()
}

// pickOver is the SQL that picks the ids of a page by indexes alone; the runs are read afterwards.
func (s *Store) pickOver(ctx context.Context, actor Actor, f HistoryFilter) (sql string, args []any, err error) {
	arg := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("$%d", len(args))
	}
	where := []string{"r.phase = 'closed'"}
	add := func(condition string) { where = append(where, condition) }
	if f.Machine != uuid.Nil {
		add("r.machine = " + arg(f.Machine))
	}
	if f.Material != uuid.Nil {
		add("r.material = " + arg(f.Material))
	}
	if f.Outcome != queue.NoOutcome {
		add("r.outcome = " + arg(f.Outcome))
	} else {
		add("r.outcome <> 'withdrawn'")
	}
	if !f.From.IsZero() {
		add("r.ended_at >= " + arg(f.From))
	}
	if !f.To.IsZero() {
		add("r.ended_at < " + arg(f.To))
	}
	if f.After != uuid.Nil {
		var at time.Time
		if err := s.pool.QueryRow(ctx, `SELECT ended_at FROM run WHERE id = $1 AND phase = 'closed'`, f.After).Scan(&at); err != nil {
			return "", nil, meaning(err)
		}
		add("(r.ended_at, r.id) < (" + arg(at) + ", " + arg(f.After) + ")")
	}
	rest := strings.Join(where, " AND ")
	newest := " ORDER BY r.ended_at DESC, r.id DESC"
	if f.Limit > 0 {
		newest += " LIMIT " + arg(f.Limit)
	}
	var of []string
	if f.Person != uuid.Nil {
		of = append(of, arg(f.Person))
	}
	if !actor.Role.Officer() && !actor.Role.Admin() && f.Person != actor.Person {
		of = append(of, arg(actor.Person))
	}
	if len(of) == 0 {
		return "SELECT r.id FROM run r WHERE " + rest + newest, args, nil
	}
	// What somebody attended and what they handed in are found by an index each, newest first.
	either := func(one, other string) string {
		pick := "(SELECT r.id, r.ended_at FROM run r WHERE %s AND " + rest + newest + ")"
		return "SELECT r.id FROM (" + fmt.Sprintf(pick, one) + " UNION " + fmt.Sprintf(pick, other) + ") r" + newest
	}
	if len(of) == 2 { // somebody's runs that are also the asker's
		return either("r.operator = "+of[0]+" AND r.member = "+of[1], "r.member = "+of[0]+" AND r.operator = "+of[1]), args, nil
	}
	return either("r.operator = "+of[0], "r.member = "+of[0]), args, nil
}
