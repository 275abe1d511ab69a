package db

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/queue"
)

// Job is a member's request.
type Job struct {
	ID           uuid.UUID
	Member       uuid.UUID
	MemberName   string
	Title        string
	Drawing      uuid.UUID
	Plan         canon.Digest
	Machine      uuid.UUID
	MachineName  string
	Tool         string
	Material     uuid.UUID
	MaterialName string
	Stock        uuid.UUID
	StockLot     string
	Copies       int64
	Due          *time.Time
	Set          *uuid.UUID // nil where it belongs to none
	SetName      string
	SubmittedAt  time.Time
	WithdrawnAt  *time.Time
	Rev          int64
	State        queue.JobState // derived
	Runs         []Run
}

// NewJob is what a member submits: a plan, for which machine and lot it was chosen, how often, by when.
// Zero for machine and lot stands for those that the plan was chosen for last.
type NewJob struct {
	Title   string
	Plan    canon.Digest
	Machine uuid.UUID
	Stock   uuid.UUID
	Copies  int64
	Due     *time.Time
	Set     uuid.UUID // zero: it belongs to none
}

// MaxTitle is how long a job's title may be, in characters.
const MaxTitle = 120

// MaxCopies bounds how many sheets one job asks for; every copy is a run.
const MaxCopies = 200

// SubmitJob queues a plan: one run a copy, and as many sheets reserved. Errors: ErrNotFound,
// *Refused when something forbids it now (too few sheets, the profile changed since the plan).
func (s *Store) SubmitJob(ctx context.Context, actor Actor, n NewJob) (Job, error) {
	return s.submit(ctx, actor, n, func(w *write, job uuid.UUID) {
		if n.Set != uuid.Nil {
			intoSet(w, actor, job, n.Set)
		}
	})
}

// submit queues a plan together with what is kept beside the job.
func (s *Store) submit(ctx context.Context, actor Actor, n NewJob, beside func(w *write, job uuid.UUID)) (Job, error) {
	n.Title = strings.TrimSpace(n.Title)
	var no []checklist.Reason
	if n.Title == "" || utf8.RuneCountInString(n.Title) > MaxTitle {
		no = append(no, checklist.Reason{What: fmt.Sprintf("a job needs a title of at most %d letters", MaxTitle), Next: "name the finished object"})
	}
	if n.Copies < 1 || n.Copies > MaxCopies {
		no = append(no, checklist.Reason{What: fmt.Sprintf("copies must be 1 to %d", MaxCopies), Next: "choose how many sheets to cut"})
	}
	if len(no) > 0 {
		return Job{}, &Refused{Reasons: no}
	}
	salt := newSalt()
	id := newID()
	titleDigest := logbook.SaltedDigest(salt, []byte(n.Title))
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		row, err := s.chosenPlan(ctx, actor, n)
		if err != nil {
			return write{}, err
		}
		var m Machine
		var stock Stock
		var kind Material
		var many []checklist.Reason
		var reads pgx.Batch
		readMachine(&reads, row.Machine, &m)
		readStock(&reads, row.Stock, &stock, &kind)
		readRoom(&reads, actor.Person, n.Copies, &many)
		if err := s.read(ctx, &reads); err != nil {
			return write{}, err
		}
		no, err := s.submitRefusals(ctx, row, m, stock, kind, n.Copies)
		if err != nil {
			return write{}, err
		}
		if no = append(no, many...); len(no) > 0 {
			return write{}, &Refused{Reasons: no}
		}
		w := write{
			statements: []statement{
				{sql: `SELECT 1 FROM material WHERE id = $1 AND rev = $2 FOR SHARE`, args: []any{kind.ID, kind.Rev}, rows: 1},
				{sql: `UPDATE stock SET reserved = reserved + $2, rev = rev + 1 WHERE id = $1 AND count - reserved >= $2`,
					args: []any{stock.ID, n.Copies}, rows: 1},
				{sql: `INSERT INTO job (id, member, title, salt, drawing, plan, machine, tool, material, stock, copies, due)
					SELECT $1, $2, $3, $4, $5, $6, m.id, $8, $9, $10, $11, $12 FROM machine m WHERE m.id = $7 AND m.profile = $13`,
					args: []any{id, actor.Person, n.Title, salt, row.Drawing, n.Plan[:], row.Machine, row.Tool, row.Material, row.Stock,
						n.Copies, n.Due, m.ProfileDigest[:]}, rows: 1},
			},
			entries: []draft{{kind: logbook.JobSubmitted, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleJob, id), about(logbook.RoleMachine, row.Machine), about("stock", row.Stock)},
				body:     logbook.Body{"plan": n.Plan[:], "copies": n.Copies, "title_digest": titleDigest[:]}}},
		}
		for i := range n.Copies {
			proposeRun(&w, actor, newID(), id, row.Machine, row.Stock, n.Plan, i+1)
		}
		beside(&w, id)
		return w, nil
	})
	if err != nil {
		return Job{}, err
	}
	return s.Job(ctx, actor, id)
}

// chosenPlan finds the choice that a job is submitted by. Somebody may have chosen the same plan for
// another machine meanwhile; the job goes where its own submitter saw it go.
func (s *Store) chosenPlan(ctx context.Context, actor Actor, n NewJob) (PlanRow, error) {
	row, err := s.choice(ctx, actor, n.Plan, n.Machine)
	if errors.Is(err, ErrNotFound) && n.Machine != uuid.Nil {
		if _, err := s.choice(ctx, actor, n.Plan, uuid.Nil); err != nil {
			return PlanRow{}, err
		}
		return PlanRow{}, refuse("this plan was not chosen for that machine", "make the plan for the machine that is wanted, then submit it")
	}
	if err == nil && n.Stock != uuid.Nil && n.Stock != row.Stock {
		return PlanRow{}, refuse("this plan was made for another lot", "make the plan for the lot that is wanted, then submit it")
	}
	return row, err
}

// choice reads what PlanFor does but the plan itself, which may be large. Errors: ErrNotFound.
func (s *Store) choice(ctx context.Context, actor Actor, digest canon.Digest, machine uuid.UUID) (row PlanRow, err error) {
	var reads pgx.Batch
	readChoice(&reads, actor, digest, machine, &row)
	return row, s.read(ctx, &reads)
}

// submitRefusals lists what no answer at the gate could cure, so that nothing queues in vain.
func (s *Store) submitRefusals(ctx context.Context, row PlanRow, m Machine, stock Stock, kind Material, copies int64) ([]checklist.Reason, error) {
	var no []checklist.Reason
	if tool, ok := m.Profile.Tool(row.Tool); ok {
		f := checklist.Facts{Profile: m.Profile, Tool: tool, Material: kind.Material, Stock: stock.Stock}
		var reads pgx.Batch
		readWork(&reads, row.Digest, row.Member, row.Machine, &f)
		readProofs(&reads, &f, m, stock)
		if err := s.read(ctx, &reads); err != nil {
			return nil, err
		}
		no = f.Forbidden()
	}
	if kind.Retired {
		no = append(no, checklist.Reason{What: kind.Name + " was taken off the list of materials", Next: "choose another material"})
	}
	if row.Profile != m.ProfileDigest {
		no = append(no, checklist.Reason{What: "the machine's profile changed since this plan was made", Next: "make the plan again"})
	}
	if left := stock.Count - stock.Reserved; left < copies {
		no = append(no, checklist.Reason{What: "not enough sheets of lot " + stock.Lot + " are left for so many copies",
			Next: "choose fewer copies or another stock"})
	}
	return no, nil
}

func proposeRun(w *write, actor Actor, id, job, machine, stock uuid.UUID, plan canon.Digest, copy int64) {
	w.statements = append(w.statements, statement{sql: `INSERT INTO run (id, job, copy, machine, plan, stock) VALUES ($1, $2, $3, $4, $5, $6)`,
		args: []any{id, job, copy, machine, plan[:], stock}, rows: 1})
	w.entries = append(w.entries, draft{kind: logbook.RunProposed, actor: actor, subjects: runSubjects(id, machine, job),
		body: logbook.Body{logbook.FieldTo: string(queue.Proposed), "plan": plan[:]}})
}

// jobGoesOn guards a change that proposes another run of a job: a job that is withdrawn gets none, and
// a withdrawal that has read the runs already finds its rev gone and reads them again.
func jobGoesOn(id uuid.UUID) statement {
	return statement{sql: `UPDATE job SET rev = rev + 1 WHERE id = $1 AND withdrawn_at IS NULL`, args: []any{id}, rows: 1}
}

// WithdrawJob takes a job back: runs that have not started are withdrawn and their sheets freed.
// rev 0 means whatever it is now. Errors: ErrNotFound, ErrConflict, *Refused.
func (s *Store) WithdrawJob(ctx context.Context, actor Actor, id uuid.UUID, rev int64) (Job, error) {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		job, err := s.Job(ctx, actor, id)
		if err != nil {
			return write{}, err
		}
		switch {
		case job.Member != actor.Person && !actor.Role.Officer() && !actor.Role.Admin():
			return write{}, ErrNotAllowed
		case rev != 0 && rev != job.Rev:
			return write{}, errStaleRev
		case job.WithdrawnAt != nil:
			return write{}, refuse("the job is withdrawn already", "submit it anew if it is wanted after all")
		}
		freed := map[uuid.UUID]int64{job.Stock: 0} // by lot: a run may have been swapped to another
		for _, r := range job.Runs {
			if _, err := r.Phase.After(queue.Withdrawn); err == nil {
				freed[r.Stock]++
			}
		}
		var stocks []statement // locked before job and run
		for _, lot := range slices.SortedFunc(maps.Keys(freed), func(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) }) {
			stocks = append(stocks, statement{sql: `UPDATE stock SET reserved = reserved - $2, rev = rev + 1 WHERE id = $1`, args: []any{lot, freed[lot]}, rows: 1})
		}
		w := write{
			statements: append(stocks, []statement{
				{sql: `UPDATE job SET withdrawn_at = now(), rev = rev + 1 WHERE id = $1 AND rev = $2`, args: []any{id, job.Rev}, rows: 1}}...),
			entries: []draft{{kind: logbook.JobWithdrawn, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleJob, id), about(logbook.RoleMachine, job.Machine)}}},
		}
		for _, r := range job.Runs {
			move, err := r.Phase.After(queue.Withdrawn)
			if err != nil {
				continue // started or over: it goes on to its inspection
			}
			if r.Phase == queue.Permitted {
				w.statements = append(w.statements, statement{sql: `UPDATE permit SET ended = 'voided' WHERE run = $1 AND ended = ''`, args: []any{r.ID}, rows: 1})
			}
			moveRun(&w, actor, r, move, "withdrawn by a person", nil)
		}
		return w, nil
	})
	if err != nil {
		return Job{}, err
	}
	return s.Job(ctx, actor, id)
}

const selectJob = `SELECT j.id, j.member, p.name, j.title, j.drawing, j.plan, j.machine, m.name, j.tool, j.material, ma.name, j.stock, st.lot,
		j.copies, j.due, j.submitted_at, j.withdrawn_at, j.rev, j.set_id, coalesce(js.name, ''),
		EXISTS (SELECT 1 FROM lockout l WHERE l.machine = j.machine AND l.lifted_at IS NULL)
	FROM job j JOIN person p ON p.id = j.member JOIN machine m ON m.id = j.machine
	JOIN material ma ON ma.id = j.material JOIN stock st ON st.id = j.stock LEFT JOIN job_set js ON js.id = j.set_id`

type jobRow struct {
	Job
	held bool
}

func scanJob(row pgx.CollectableRow) (j jobRow, err error) {
	var digest []byte
	err = row.Scan(&j.ID, &j.Member, &j.MemberName, &j.Title, &j.Drawing, &digest, &j.Machine, &j.MachineName, &j.Tool, &j.Material,
		&j.MaterialName, &j.Stock, &j.StockLot, &j.Copies, &j.Due, &j.SubmittedAt, &j.WithdrawnAt, &j.Rev, &j.Set, &j.SetName, &j.held)
	j.Plan = canon.Digest(append(digest, make([]byte, 32)...)[:32])
	return j, err
}

// Job reads a job with its runs. Errors: ErrNotFound, also where the actor may not see it.
func (s *Store) Job(ctx context.Context, actor Actor, id uuid.UUID) (Job, error) {
	var found jobRow
	var runs []Run
	var reads pgx.Batch
	reads.Queue(selectJob+` WHERE j.id = $1 AND (j.member = $2 OR `+seesAll("$2", "$3")+`)`, id, actor.Person, actor.Role).Query(func(rows pgx.Rows) (err error) {
		found, err = pgx.CollectExactlyOneRow(rows, scanJob)
		return meaning(err)
	})
	reads.Queue(selectRun+runsOfJobs, []uuid.UUID{id}).Query(func(rows pgx.Rows) (err error) {
		runs, err = pgx.CollectRows(rows, scanRun)
		return err
	})
	if err := s.read(ctx, &reads); err != nil {
		return Job{}, err
	}
	return withRuns([]jobRow{found}, runs)[0], nil
}

// runsOfJobs picks the runs of the jobs $1.
const runsOfJobs = `r.job = ANY($1) ORDER BY r.number`

// Jobs lists the actor's jobs, newest first, at most limit, older than before (zero: from the newest).
func (s *Store) Jobs(ctx context.Context, actor Actor, before uuid.UUID, limit int) ([]Job, error) {
	if before == uuid.Nil {
		before = uuid.Max
	}
	list, err := readAll(ctx, s.pool, scanJob, selectJob+` WHERE j.member = $1 AND j.id < $2 ORDER BY j.id DESC LIMIT $3`, actor.Person, before, limit)
	if err != nil {
		return nil, err
	}
	return s.withTheirRuns(ctx, list)
}

// withTheirRuns reads the runs of all jobs in one query.
func (s *Store) withTheirRuns(ctx context.Context, list []jobRow) ([]Job, error) {
	ids := make([]uuid.UUID, len(list))
	for i, j := range list {
		ids[i] = j.ID
	}
	runs, err := s.runs(ctx, runsOfJobs, ids)
	if err != nil {
		return nil, err
	}
	return withRuns(list, runs), nil
}

// withRuns gives each job its runs and derives its state.
func withRuns(list []jobRow, runs []Run) []Job {
	place := make(map[uuid.UUID]int, len(list))
	jobs := make([]Job, len(list))
	for i, j := range list {
		place[j.ID], jobs[i] = i, j.Job
	}
	for _, r := range runs {
		jobs[place[r.Job]].Runs = append(jobs[place[r.Job]].Runs, r)
	}
	for i := range jobs {
		facts := queue.JobFacts{Planned: true, Withdrawn: jobs[i].WithdrawnAt != nil, Held: list[i].held, Copies: jobs[i].Copies}
		for _, r := range jobs[i].Runs {
			facts.Runs = append(facts.Runs, queue.RunFact{Phase: r.Phase, Outcome: r.Outcome, Kept: r.SheetFate == SheetKept})
		}
		jobs[i].State = facts.State()
	}
	return jobs
}
