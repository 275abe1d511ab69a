package db

import (
	"context"

	"kerfgate/db/logbook"
)

// Step is a guarded statement for tests of the writer.
type Step struct {
	SQL      string
	Args     []any
	Rows     int64
	Conflict error
}

// Change writes steps with one entry of a kind, as the store's own changes do; decide runs again
// after a conflict.
func (s *Store) Change(ctx context.Context, kind logbook.Kind, decide func(ctx context.Context) ([]Step, error)) (int64, error) {
	return s.commit(ctx, func(ctx context.Context) (write, error) {
		steps, err := decide(ctx)
		w := write{entries: []draft{{kind: kind}}}
		for _, st := range steps {
			w.statements = append(w.statements, statement{sql: st.SQL, args: st.Args, rows: st.Rows, conflict: st.Conflict})
		}
		return w, err
	})
}
