package db

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// Set is several jobs that belong to one finished object.
type Set struct {
	ID         uuid.UUID
	Member     uuid.UUID
	MemberName string
	Name       string
	MadeAt     time.Time
	JobCount   int64
	// Sheets are the copies of all its jobs, each a sheet; of a job that was withdrawn those that were done.
	// Done of them came out and were kept, Waiting are in a machine's queue or at work. What is neither was
	// given up.
	Sheets, Done, Waiting int64
	// Where one set is read: its jobs as they were handed in, and the lots that they are cut from.
	Jobs []Job
	Lots map[uuid.UUID]Stock
}

// MaxSetJobs bounds how many jobs a set holds.
const MaxSetJobs = 40

// MakeSet opens a set to which jobs are handed in. Errors: *Refused.
func (s *Store) MakeSet(ctx context.Context, actor Actor, name string) (Set, error) {
	name = strings.TrimSpace(name)
	if name == "" || utf8.RuneCountInString(name) > MaxTitle {
		return Set{}, refuse(fmt.Sprintf("a set needs a name of at most %d letters", MaxTitle), "name the finished object")
	}
	id, salt := newID(), newSalt()
	digest := logbook.SaltedDigest(salt, []byte(name))
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO job_set (id, member, name, salt) VALUES ($1, $2, $3, $4)`, args: []any{id, actor.Person, name, salt}, rows: 1}},
			entries:    []draft{{kind: logbook.SetMade, actor: actor, subjects: []logbook.Subject{about("set", id)}, body: logbook.Body{"name_digest": digest[:]}}},
		}, nil
	})
	if err != nil {
		return Set{}, err
	}
	return s.Set(ctx, actor, id)
}

// intoSet adds to a submission that its job belongs to a set of the same member.
func intoSet(w *write, actor Actor, job, set uuid.UUID) {
	w.statements = append(w.statements,
		// Two jobs that are handed in at once are counted one after the other.
		statement{sql: `SELECT 1 FROM job_set WHERE id = $1 AND member = $2 FOR NO KEY UPDATE`, args: []any{set, actor.Person}, rows: 1, conflict: ErrNotFound},
		statement{sql: `UPDATE job SET set_id = $2 WHERE id = $1 AND (SELECT count(*) FROM job WHERE set_id = $2) < $3`, args: []any{job, set, MaxSetJobs}, rows: 1,
			conflict: refuse(fmt.Sprintf("the set has %d jobs already", MaxSetJobs), "make another set")})
	w.entries[0].subjects = append(w.entries[0].subjects, about("set", set))
}

// ChooseSet makes a job part of another set of the same member, or of none (zero); its sheets count there from then
// on. rev 0 means whatever it is now. Errors: ErrNotFound, also for somebody else's job, ErrConflict, *Refused.
func (s *Store) ChooseSet(ctx context.Context, actor Actor, id, set uuid.UUID, rev int64) (Job, error) {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		job, err := s.Job(ctx, actor, id)
		switch {
		case err != nil:
			return write{}, err
		case job.Member != actor.Person:
			return write{}, ErrNotFound
		case rev != 0 && rev != job.Rev:
			return write{}, errStaleRev
		case job.Set != nil && *job.Set == set || job.Set == nil && set == uuid.Nil:
			return write{}, refuse("the job is there already", "choose another set, or leave it")
		}
		w := write{
			statements: []statement{{sql: `UPDATE job SET set_id = NULL, rev = rev + 1 WHERE id = $1 AND rev = $2`, args: []any{id, job.Rev}, rows: 1}},
			entries:    []draft{{kind: logbook.JobSetChosen, actor: actor, subjects: []logbook.Subject{about(logbook.RoleJob, id)}}},
		}
		if job.Set != nil {
			w.entries[0].subjects = append(w.entries[0].subjects, about("set_before", *job.Set))
		}
		if set != uuid.Nil {
			intoSet(&w, actor, id, set)
		}
		return w, nil
	})
	if err != nil {
		return Job{}, err
	}
	return s.Job(ctx, actor, id)
}

// selectSet counts each set's sheets: a copy is done by a completed run whose sheet was kept.
const selectSet = `SELECT s.id, s.member, p.name, s.name, s.made_at, count(j.id), coalesce(sum(CASE WHEN j.withdrawn_at IS NULL THEN j.copies ELSE r.done END), 0)::bigint,
		coalesce(sum(r.done), 0)::bigint, coalesce(sum(r.waiting), 0)::bigint
	FROM (`

const ofSets = `) s JOIN person p ON p.id = s.member LEFT JOIN job j ON j.set_id = s.id
	LEFT JOIN LATERAL (SELECT count(DISTINCT copy) FILTER (WHERE phase = 'closed' AND outcome = 'completed' AND sheet_fate = 'kept') AS done,
		count(DISTINCT copy) FILTER (WHERE phase <> 'closed') AS waiting FROM run WHERE job = j.id) r ON j.id IS NOT NULL
	GROUP BY s.id, s.member, s.name, s.made_at, p.name ORDER BY s.id DESC`

// sets reads the sets that a query of job_set picks.
func (s *Store) sets(ctx context.Context, picked string, args ...any) ([]Set, error) {
	return readAll(ctx, s.pool, func(row pgx.CollectableRow) (t Set, err error) {
		err = row.Scan(&t.ID, &t.Member, &t.MemberName, &t.Name, &t.MadeAt, &t.JobCount, &t.Sheets, &t.Done, &t.Waiting)
		return t, err
	}, selectSet+picked+ofSets, args...)
}

// Sets lists the actor's sets, newest first, at most limit, older than before (zero: from the newest).
func (s *Store) Sets(ctx context.Context, actor Actor, before uuid.UUID, limit int) ([]Set, error) {
	if before == uuid.Nil {
		before = uuid.Max
	}
	return s.sets(ctx, `SELECT * FROM job_set WHERE member = $1 AND id < $2 ORDER BY id DESC LIMIT $3`,
		actor.Person, before, limit)
}

// Set reads a set with its jobs. Errors: ErrNotFound, also where the actor may not see it.
func (s *Store) Set(ctx context.Context, actor Actor, id uuid.UUID) (Set, error) {
	list, err := s.sets(ctx, `SELECT * FROM job_set WHERE id = $1 AND (member = $2 OR `+seesAll("$2", "$3")+`)`, id, actor.Person, actor.Role)
	if err != nil {
		return Set{}, err
	}
	if len(list) == 0 {
		return Set{}, ErrNotFound
	}
	jobs, err := readAll(ctx, s.pool, scanJob, selectJob+` WHERE j.set_id = $1 ORDER BY j.id`, id)
	if err != nil {
		return Set{}, err
	}
	if list[0].Jobs, err = s.withTheirRuns(ctx, jobs); err != nil {
		return Set{}, err
	}
	lots := make([]uuid.UUID, 0, len(jobs))
	for _, j := range jobs {
		lots = append(lots, j.Stock)
	}
	stock, err := s.stocks(ctx, `id = ANY($1)`, lots)
	if err != nil {
		return Set{}, err
	}
	list[0].Lots = make(map[uuid.UUID]Stock, len(stock))
	for _, st := range stock {
		list[0].Lots[st.ID] = st
	}
	return list[0], nil
}

// Done counts the copies of a job that came out and were kept.
func (j Job) Done() int64 {
	done := map[int64]bool{}
	for _, r := range j.Runs {
		if r.Outcome == "completed" && r.SheetFate == SheetKept {
			done[r.Copy] = true
		}
	}
	return int64(len(done))
}
