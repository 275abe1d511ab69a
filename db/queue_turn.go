package db

import (
	"context"
	"fmt"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
	"kerfgate/queue"
)

// mostTakeReason is how long the reason may be for taking a run ahead.
const mostTakeReason = 200

// TakeRun puts a waiting run ahead of the queue of its machine, behind what was taken before, for a reason that
// everybody sees at its place. Errors: ErrNotFound, ErrMoved, *Refused for who is no operator of the machine.
func (s *Store) TakeRun(ctx context.Context, actor Actor, id uuid.UUID, reason string) error {
	reason, ok := reasonWithin(reason, mostTakeReason)
	if !ok {
		return refuse("to take a run ahead of its turn needs a reason", fmt.Sprintf("say in 1 to %d letters why others wait", mostTakeReason))
	}
	return s.turn(ctx, actor, id, func(r Run, q Queue, w *write) error {
		if p, ok := q.ByRun(id); ok && p.Taken != nil {
			return refuse("this run was taken ahead already", "open its checklist")
		}
		if next, ok := queue.Next(q.Places); ok && next.Run == id {
			return refuse("this run is next anyway", "open its checklist")
		}
		salt := newSalt()
		digest := logbook.SaltedDigest(salt, []byte(reason))
		w.statements = append(w.statements, statement{sql: `INSERT INTO queue_take (run, by_person, reason, salt) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
			args: []any{id, actor.Person, reason, salt}, rows: 1})
		w.entries = append(w.entries, draft{kind: logbook.QueueTaken, actor: actor, subjects: runSubjects(id, r.Machine, r.Job),
			body: logbook.Body{"reason_digest": digest[:]}})
		return nil
	})
}

// inTurn refuses a run that others go before on its machine; to go all the same it is taken ahead. Errors: *Refused.
func (s *Store) inTurn(ctx context.Context, g Gate) error {
	all, err := s.queues(ctx, []Machine{g.Machine})
	if err != nil {
		return err
	}
	before, ok := queue.Before(all[g.Machine.ID].Places, g.Run.ID)
	if !ok {
		return nil
	}
	return refuse(fmt.Sprintf("run %d goes first on this machine: %s", before.Number, before.Reason),
		"open that one, or take this one ahead of its turn with a reason that everybody sees")
}

// CallMember calls the member of a waiting run to its machine. Who does not come for queue.CallLasts keeps the
// place while the next one goes. Errors: ErrNotFound, ErrMoved, *Refused for who is no operator of the machine.
func (s *Store) CallMember(ctx context.Context, actor Actor, id uuid.UUID) error {
	return s.turn(ctx, actor, id, func(r Run, _ Queue, w *write) error {
		w.statements = append(w.statements, statement{sql: `INSERT INTO queue_call (run, by_person) VALUES ($1, $2)
			ON CONFLICT (run) DO UPDATE SET by_person = $2, at = now(), came_at = NULL`, args: []any{id, actor.Person}, rows: 1})
		w.entries = append(w.entries, draft{kind: logbook.QueueCalled, actor: actor, subjects: append(runSubjects(id, r.Machine, r.Job), about("member", r.Member))})
		return nil
	})
}

// turn changes the place of a waiting run, for an operator of its machine.
func (s *Store) turn(ctx context.Context, actor Actor, id uuid.UUID, decide func(Run, Queue, *write) error) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		r, err := s.run(ctx, id)
		if err != nil {
			return write{}, err
		}
		if r.Phase != queue.Proposed {
			return write{}, queue.ErrMoved
		}
		authorisation, err := s.operating(ctx, actor, r, "ask an operator of it")
		if err != nil {
			return write{}, err
		}
		q, err := s.Queue(ctx, r.Machine)
		if err != nil {
			return write{}, err
		}
		w := write{statements: []statement{
			{sql: `SELECT 1 FROM authorisation a WHERE id = $1 AND authorisation_holds(a) FOR SHARE`, args: []any{authorisation}, rows: 1},
			{sql: `SELECT 1 FROM run WHERE id = $1 AND rev = $2 FOR SHARE`, args: []any{id, r.Rev}, rows: 1}}}
		return w, decide(r, q, &w)
	})
	return err
}

// MemberCame takes back that the member of a called run is waited for: the member says so, or an operator who
// sees them. Errors: ErrNotFound, also for a run that the actor may not see, ErrMoved where nobody was called.
func (s *Store) MemberCame(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		r, err := s.Run(ctx, actor, id)
		if err != nil {
			return write{}, err
		}
		return write{
			statements: []statement{{sql: `UPDATE queue_call SET came_at = now() WHERE run = $1 AND came_at IS NULL`, args: []any{id}, rows: 1, conflict: queue.ErrMoved}},
			entries:    []draft{{kind: logbook.QueueCame, actor: actor, subjects: append(runSubjects(id, r.Machine, r.Job), about("member", r.Member))}},
		}, nil
	})
	return err
}
