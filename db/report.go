package db

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// Apply commits one report of a worker: number n only after n − 1, each once. It returns the
// greatest number applied and the signed statement at which the worker may forget what is older. A
// report that no longer fits is kept in the logbook as rejected, so that it never holds up the rest.
// An error means that nothing was applied.
func (s *Store) Apply(ctx context.Context, machine uuid.UUID, rep broker.Report) (int64, []byte, error) {
	applied, err := s.applied(ctx, machine)
	if err != nil {
		return 0, nil, err
	}
	if rep.Number == applied+1 {
		_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
			w, err := s.reported(ctx, machine, rep)
			if err != nil {
				return write{}, err
			}
			w.statements = append(w.statements, statement{sql: `UPDATE machine SET applied = $2 WHERE id = $1 AND applied = $2 - 1`,
				args: []any{machine, rep.Number}, rows: 1, conflict: errAppliedMeanwhile})
			return w, nil
		})
		if err != nil && !errors.Is(err, errAppliedMeanwhile) {
			return 0, nil, err
		}
		if applied, err = s.applied(ctx, machine); err != nil {
			return 0, nil, err
		}
	}
	text, err := s.appliedNote(ctx, machine, applied)
	return applied, text, err
}

var errAppliedMeanwhile = errors.New("another server applied this report")

func (s *Store) applied(ctx context.Context, machine uuid.UUID) (n int64, err error) {
	err = s.pool.QueryRow(ctx, `SELECT applied FROM machine WHERE id = $1`, machine).Scan(&n)
	return n, meaning(err)
}

func (s *Store) appliedNote(ctx context.Context, machine uuid.UUID, n int64) ([]byte, error) {
	site, err := s.Site(ctx)
	if err != nil {
		return nil, err
	}
	return permit.Sign(s.cfg.PermitSigner, permit.Applied{Machine: machine, Epoch: site.Epoch, Number: n})
}

// maxReason bounds what a worker gives as a reason: phrases, not free text.
const maxReason = 120

// reported decides what a report changes. It never refuses: what does not fit is rejected in the log.
func (s *Store) reported(ctx context.Context, machine uuid.UUID, rep broker.Report) (write, error) {
	if len(rep.Reason) > maxReason {
		rep.Reason = rep.Reason[:maxReason]
	}
	switch rep.Kind {
	case broker.ReportJournal:
		return s.workerStarted(ctx, machine, rep)
	case broker.ReportOutOfUse:
		return s.outOfUse(ctx, machine, rep)
	}
	r, err := s.run(ctx, rep.Run)
	if errors.Is(err, ErrNotFound) || (err == nil && r.Machine != machine) {
		return rejected(machine, rep, nil), nil
	}
	if err != nil {
		return write{}, err
	}
	switch rep.Kind {
	case broker.ReportReady, broker.ReportUnready:
		return s.prepared(r, rep), nil
	case broker.ReportAttendance:
		return attended(r, rep), nil
	case broker.ReportPicture:
		return pictured(r, rep), nil
	case broker.ReportRefused:
		return s.permitRefused(ctx, r, rep)
	}
	return s.runReported(r, rep)
}

// workerStarted: a worker's challenges die with its process, so a permit that is still out answers a
// challenge that nobody holds any more; it is voided at once instead of when it expires.
func (s *Store) workerStarted(ctx context.Context, machine uuid.UUID, rep broker.Report) (write, error) {
	w := write{entries: []draft{{kind: logbook.WorkerSeen, subjects: []logbook.Subject{about(logbook.RoleMachine, machine)},
		body: logbook.Body{"process": rep.Process[:]}}}}
	if rep.Run != uuid.Nil {
		return w, nil // one of its burns, told to a server of a new epoch
	}
	waiting, err := s.runs(ctx, `r.machine = $1 AND r.phase = 'permitted'`, machine)
	if err != nil {
		return write{}, err
	}
	for _, r := range waiting {
		move, err := r.Phase.After(queue.Voided)
		if err != nil {
			return write{}, err
		}
		if _, err := s.voidPermit(ctx, &w, Actor{}, r, move, "the worker was restarted"); err != nil {
			return write{}, err
		}
	}
	return w, nil
}

func rejected(machine uuid.UUID, rep broker.Report, r *Run) write {
	subjects := []logbook.Subject{about(logbook.RoleMachine, machine)}
	body := logbook.Body{"report": string(rep.Kind), "number": rep.Number}
	if r != nil {
		subjects = runSubjects(r.ID, machine, r.Job)
		body["phase"] = string(r.Phase)
	}
	return write{entries: []draft{{kind: logbook.ReportRejected, subjects: subjects, body: body}}}
}

func (s *Store) prepared(r Run, rep broker.Report) write {
	kind := logbook.RunReady
	if rep.Kind == broker.ReportUnready {
		kind = logbook.RunUnready
	}
	body := logbook.Body{"revision": rep.Revision}
	if rep.Reason != "" {
		body[logbook.FieldReason] = rep.Reason
	}
	return write{
		// An answer to an older offer changes nothing, but is applied all the same.
		statements: []statement{{sql: `UPDATE run SET ready = $2, unready_reason = $3 WHERE id = $1 AND revision = $4 AND phase IN ('proposed', 'checking')`,
			args: []any{r.ID, rep.Kind == broker.ReportReady, rep.Reason, rep.Revision}, rows: anyRows}},
		entries: []draft{{kind: kind, subjects: runSubjects(r.ID, r.Machine, r.Job), body: body}},
	}
}

func attended(r Run, rep broker.Report) write {
	kind := logbook.AttendanceSummary
	if rep.Misses > 0 {
		kind = logbook.AttendanceMissed
	}
	return write{
		statements: []statement{{sql: `UPDATE run SET taps = taps + $2, misses = misses + $3 WHERE id = $1`, args: []any{r.ID, rep.Taps, rep.Misses}, rows: 1}},
		entries: []draft{{kind: kind, subjects: runSubjects(r.ID, r.Machine, r.Job),
			body: logbook.Body{"taps": rep.Taps, "misses": rep.Misses}}},
	}
}

func pictured(r Run, rep broker.Report) write {
	digest, statements := putBlob(rep.Picture)
	return write{
		statements: append(statements, statement{sql: `UPDATE run SET picture = $2 WHERE id = $1`, args: []any{r.ID, digest[:]}, rows: 1}),
		entries: []draft{{kind: logbook.PictureKept, subjects: runSubjects(r.ID, r.Machine, r.Job),
			body: logbook.Body{"picture": digest[:], "burned_um": rep.BurnedUM, "energy_mj": rep.EnergyMJ}}},
	}
}

// permitRefused: the worker did not burn the permit, so its run may be signed again.
func (s *Store) permitRefused(ctx context.Context, r Run, rep broker.Report) (write, error) {
	move, err := r.Phase.After(queue.Voided)
	if err != nil {
		return rejected(r.Machine, rep, &r), nil
	}
	var w write
	_, err = s.voidPermit(ctx, &w, Actor{}, r, move, "refused by the worker: "+rep.Reason)
	return w, err
}

// runEvents are the reports that are events of the phase table.
var runEvents = map[broker.ReportKind]queue.Event{
	broker.ReportMoved:       queue.Moved,
	broker.ReportPaused:      queue.PausedRun,
	broker.ReportResumed:     queue.Resumed,
	broker.ReportCompleted:   queue.Completed,
	broker.ReportStopped:     queue.Stopped,
	broker.ReportFailed:      queue.Failed,
	broker.ReportInterrupted: queue.Interrupted,
	broker.ReportPurged:      queue.Purged,
}

func (s *Store) runReported(r Run, rep broker.Report) (write, error) {
	event, ok := runEvents[rep.Kind]
	if !ok {
		return rejected(r.Machine, rep, &r), nil
	}
	ends := event == queue.Completed || event == queue.Stopped || event == queue.Failed || event == queue.Interrupted
	if ends && r.Phase == queue.Permitted {
		// The worker burned a permit whose burn never reached the database: its journal wins.
		event = queue.Interrupted
	}
	move, err := r.Phase.After(event)
	if err != nil {
		return rejected(r.Machine, rep, &r), nil
	}
	var w write
	set, body := map[string]any{}, logbook.Body{}
	switch {
	case event == queue.Moved:
		set["started_at"] = time.Now()
	case event == queue.PausedRun:
		set["pause_token"] = rep.PauseToken[:]
	case ends:
		set["never_moved"], set["real_ms"] = rep.NeverMoved, rep.RealMS
		body[logbook.FieldNeverMoved] = rep.NeverMoved
		if rep.OffSentMS > 0 {
			body["off_sent_ms"] = rep.OffSentMS
		}
		if rep.RealMS > 0 {
			body["real_ms"] = rep.RealMS
		}
		if r.Phase == queue.Permitted {
			w.statements = append(w.statements,
				statement{sql: `UPDATE permit SET ended = 'voided' WHERE run = $1 AND ended = ''`, args: []any{r.ID}, rows: 1},
				statement{sql: `UPDATE stock SET reserved = reserved - 1, rev = rev + 1 WHERE id = $1`, args: []any{r.Stock}, rows: 1})
		}
	}
	moveRun(&w, Actor{}, r, move, rep.Reason, set, body)
	return w, nil
}

// outOfUse locks the machine out on its worker's own word: its journal cannot be trusted.
func (s *Store) outOfUse(ctx context.Context, machine uuid.UUID, rep broker.Report) (write, error) {
	m, err := s.Machine(ctx, machine)
	if err != nil {
		return write{}, err
	}
	if m.Lockout != nil {
		return rejected(machine, rep, nil), nil
	}
	var w write
	err = s.lockOut(ctx, &w, Actor{}, newID(), machine, fmt.Sprintf("the worker is out of use: %s", rep.Reason))
	return w, err
}
