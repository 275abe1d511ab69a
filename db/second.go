package db

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
)

// Second keeps that another person stands by at a run's gate, after they signed in for it. Errors: ErrNotFound,
// *Refused where none is asked for, or they are the operator themselves.
func (s *Store) Second(ctx context.Context, actor Actor, id, second uuid.UUID) (Gate, error) {
	_, err := s.movedBy(ctx, actor, id, func(ctx context.Context, g Gate, w *write) error {
		if err := atGate(actor, g); err != nil {
			return err
		}
		if _, ok := g.Checklist.Item(checklist.ItemSecond); !ok {
			return refuse("this run asks for no second person", "answer the items that it has")
		}
		if second == actor.Person {
			return refuse("the second person is somebody else", "have another member sign in here")
		}
		given := checklist.Values{checklist.SecondField: second.String()}
		w.statements = append(w.statements,
			statement{sql: `SELECT 1 FROM person WHERE id = $1 AND disabled_at IS NULL FOR SHARE`, args: []any{second}, rows: 1, conflict: ErrNotFound},
			statement{sql: `UPDATE run SET opened_at = now() WHERE id = $1 AND rev = $2 AND phase = 'checking'`, args: []any{id, g.Run.Rev}, rows: 1},
			statement{sql: `INSERT INTO answer (run, item, given, by_person) VALUES ($1, $2, $3, $4)
				ON CONFLICT (run, item) DO UPDATE SET given = $3, by_person = $4, at = now()`, args: []any{id, checklist.ItemSecond, given, second}, rows: 1},
			statement{sql: `DELETE FROM answer WHERE run = $1 AND item = $2`, args: []any{id, checklist.ItemSupply}, rows: anyRows})
		w.entries = append(w.entries, draft{kind: logbook.AnswerGiven, actor: actor,
			subjects: append(runSubjects(id, g.Run.Machine, g.Run.Job), about("second", second)),
			body:     logbook.Body{"item": checklist.ItemSecond, "up": true}})
		return nil
	})
	if err != nil {
		return Gate{}, err
	}
	return s.Gate(ctx, actor, id)
}
