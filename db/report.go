package db

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

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
//
// Out of use has no number, since no journal is left to number it; it is applied as often as it comes.
func (s *Store) Apply(ctx context.Context, machine uuid.UUID, rep broker.Report) (int64, []byte, error) {
	applied, err := s.applied(ctx, machine)
	if err != nil {
		return 0, nil, err
	}
	rep.Reason, rep.Kind = phrase(rep.Reason), broker.ReportKind(phrase(string(rep.Kind)))
	if rep.Number == 0 && rep.Kind == broker.ReportOutOfUse {
		if err := s.applyOutOfUse(ctx, machine, rep); err != nil {
			return 0, nil, err
		}
	}
	expected := rep.Number == applied+1
	if !expected && rep.Number > applied && rep.Number == rep.Oldest {
		// A restored database has forgotten numbers that the worker gave; its journal goes on with its
		// own until it has told all. It begins with the oldest that it holds: one that came before it
		// would leave what happened in between untold for ever.
		if expected, err = s.untold(ctx, machine); err != nil {
			return 0, nil, err
		}
	}
	if expected {
		_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
			w, err := s.reported(ctx, machine, rep)
			if err != nil {
				return write{}, err
			}
			// First, as the order of locks has the machine before its runs.
			w.statements = slices.Insert(w.statements, 0, statement{sql: `UPDATE machine SET applied = $2 WHERE id = $1 AND applied = $3`,
				args: []any{machine, rep.Number, applied}, rows: 1, conflict: errAppliedMeanwhile})
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

// phrase makes one line of printing characters of what a worker says, so that nothing in it can
// keep a report from being applied and with it all that come after.
func phrase(text string) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case r == utf8.RuneError:
			return -1
		case !unicode.IsPrint(r):
			return ' '
		}
		return r
	}, text)
	text = strings.Join(strings.Fields(text), " ")
	if len(text) > maxReason {
		text = strings.TrimSpace(strings.ToValidUTF8(text[:maxReason], ""))
	}
	return text
}

// reported decides what a report changes. It never refuses: what does not fit is rejected in the log.
func (s *Store) reported(ctx context.Context, machine uuid.UUID, rep broker.Report) (write, error) {
	switch rep.Kind {
	case broker.ReportJournal:
		if rep.Run == uuid.Nil {
			return s.workerStarted(ctx, machine, rep)
		}
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
	case broker.ReportJournal:
		untold, err := s.untold(ctx, machine)
		if err != nil {
			return write{}, err
		}
		if untold {
			return s.journalBurn(ctx, r, rep)
		}
		return seen(r), nil // its own report says how it ended
	case broker.ReportReady, broker.ReportUnready:
		return s.prepared(r, rep), nil
	case broker.ReportAttendance:
		return attended(r, rep), nil
	case broker.ReportPlaced:
		return write{entries: []draft{{kind: logbook.RunPlaced, subjects: runSubjects(r.ID, r.Machine, r.Job), body: logbook.Body{"homed": "again"}}}}, nil
	case broker.ReportPicture:
		return pictured(r, rep), nil
	case broker.ReportRefused:
		return s.permitRefused(ctx, r, rep)
	}
	return s.runReported(ctx, r, rep)
}

// workerStarted: a worker's challenges die with its process, so a permit that is still out answers a
// challenge that nobody holds any more; it is voided at once instead of when it expires.
func (s *Store) workerStarted(ctx context.Context, machine uuid.UUID, rep broker.Report) (write, error) {
	w := write{entries: []draft{{kind: logbook.WorkerSeen, subjects: []logbook.Subject{about(logbook.RoleMachine, machine)},
		body: logbook.Body{"process": rep.Process[:]}}}}
	if rep.Epoch != [16]byte{} {
		if err := s.journalTold(ctx, &w, machine, rep); err != nil {
			return write{}, err
		}
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

// attended: taps and misses are those of the run so far, so that a summary is a miss only where it
// counts one more.
func attended(r Run, rep broker.Report) write {
	kind := logbook.AttendanceSummary
	if rep.Misses > r.Misses {
		kind = logbook.AttendanceMissed
	}
	return write{
		statements: []statement{{sql: `UPDATE run SET taps = greatest(taps, $2), misses = greatest(misses, $3) WHERE id = $1`, args: []any{r.ID, rep.Taps, rep.Misses}, rows: 1}},
		entries: []draft{{kind: kind, subjects: runSubjects(r.ID, r.Machine, r.Job),
			body: logbook.Body{"taps": rep.Taps, "misses": rep.Misses}}},
	}
}

// pictured keeps what the machine's sheet looks like. A worker leaves out a picture that is too large
// to send; what was worked is told all the same.
func pictured(r Run, rep broker.Report) write {
	body := logbook.Body{"burned_um": rep.BurnedUM, "energy_mj": rep.EnergyMJ}
	w := write{entries: []draft{{kind: logbook.PictureKept, subjects: runSubjects(r.ID, r.Machine, r.Job), body: body}}}
	if len(rep.Picture) > 0 {
		digest, statements := putBlob(rep.Picture)
		body["picture"] = digest[:]
		w.statements = append(statements, statement{sql: `UPDATE run SET picture = $2 WHERE id = $1`, args: []any{r.ID, digest[:]}, rows: 1})
	}
	return w
}

// permitRefused: the worker did not burn the permit, so its run may be signed again. A refusal of an
// earlier permit says nothing about the one that is out.
func (s *Store) permitRefused(ctx context.Context, r Run, rep broker.Report) (write, error) {
	move, err := r.Phase.After(queue.Voided)
	if err != nil {
		return rejected(r.Machine, rep, &r), nil
	}
	var live bool
	if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM permit WHERE run = $1 AND digest = $2 AND ended = '')`,
		r.ID, rep.Permit[:]).Scan(&live); err != nil {
		return write{}, err
	}
	if !live {
		return rejected(r.Machine, rep, &r), nil
	}
	reason := "refused by the worker"
	if rep.Reason != "" {
		reason += ": " + rep.Reason
	}
	var w write
	_, err = s.voidPermit(ctx, &w, Actor{}, r, move, reason)
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

func (s *Store) runReported(ctx context.Context, r Run, rep broker.Report) (write, error) {
	event, ok := runEvents[rep.Kind]
	if !ok {
		return rejected(r.Machine, rep, &r), nil
	}
	ends := event == queue.Completed || event == queue.Stopped || event == queue.Failed || event == queue.Interrupted
	if ends && r.Phase == queue.Permitted {
		// The worker burned a permit whose burn never reached the database: its journal wins.
		event = queue.Interrupted
	}
	if ends && rep.NeverMoved && (r.Phase == queue.Checking || r.Phase == queue.Proposed) {
		return s.burnedInVain(ctx, r, rep)
	}
	move, err := r.Phase.After(event)
	if err != nil {
		return rejected(r.Machine, rep, &r), nil
	}
	var w write
	set, body := map[string]any{}, logbook.Body{}
	switch {
	case event == queue.Moved:
		set["started_at"] = databaseNow
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
			// Whatever moved had a sheet under it, also where the database never heard of the start.
			w.statements = append(w.statements,
				statement{sql: `UPDATE stock SET reserved = reserved - 1, count = count - CASE WHEN $2 THEN 0 ELSE 1 END, rev = rev + 1 WHERE id = $1`,
					args: []any{r.Stock, rep.NeverMoved}, rows: 1},
				statement{sql: `UPDATE permit SET ended = 'voided' WHERE run = $1 AND ended = ''`, args: []any{r.ID}, rows: 1})
			set["stock_taken"] = !rep.NeverMoved
		}
	}
	moveRun(&w, Actor{}, r, move, rep.Reason, set, body)
	return w, nil
}

// burnedInVain: the worker burned a permit that had been voided here meanwhile and never moved. Its
// journal takes no other permit for that run, so the run is withdrawn and another proposed in its
// place, with the same reservation: the race costs a sign-off, not the piece.
func (s *Store) burnedInVain(ctx context.Context, r Run, rep broker.Report) (write, error) {
	var wasIts, wanted bool
	if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM permit WHERE run = $1 AND digest = $2 AND ended = 'voided'),
			EXISTS (SELECT 1 FROM job WHERE id = $3 AND withdrawn_at IS NULL)`, r.ID, rep.Permit[:], r.Job).Scan(&wasIts, &wanted); err != nil {
		return write{}, err
	}
	if !wasIts || !wanted {
		return rejected(r.Machine, rep, &r), nil
	}
	move, err := r.Phase.After(queue.Withdrawn)
	if err != nil {
		return write{}, err
	}
	w := write{statements: []statement{
		jobGoesOn(r.Job),
		{sql: `DELETE FROM answer WHERE run = $1`, args: []any{r.ID}, rows: anyRows}}}
	moveRun(&w, Actor{}, r, move, "the worker burned a voided permit", map[string]any{"never_moved": true},
		logbook.Body{logbook.FieldNeverMoved: true, logbook.FieldPermit: rep.Permit[:]})
	proposeRun(&w, Actor{}, newID(), r.Job, r.Machine, r.Stock, r.Plan, r.Copy)
	return w, nil
}

// applyOutOfUse takes an out of use without a number; nothing happens where the machine is locked
// out already.
func (s *Store) applyOutOfUse(ctx context.Context, machine uuid.UUID, rep broker.Report) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, machine)
		if err != nil {
			return write{}, err
		}
		if m.Lockout != nil {
			return write{}, errNothing
		}
		return s.outOfUse(ctx, machine, rep)
	})
	if errors.Is(err, errNothing) {
		return nil
	}
	return err
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
