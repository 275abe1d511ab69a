package db

import (
	"context"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

const (
	permitAgeS = 60  // a permit starts a run within this time of its challenge
	leaveAgeS  = 600 // a set-up leave holds this long
)

// Permit is an issued permit and the run that it is for.
type Permit struct {
	Note   []byte
	Digest canon.Digest
	Run    Run
}

// guardBound locks what a sign-off binds, in the fixed order, and finds none of it changed (I10):
// the operator's account and authorisation, material, stock and machine.
const guardBound = `SELECT 1 FROM person p
	JOIN authorisation a ON a.id = $2 AND a.person = p.id AND authorisation_holds(a)
	JOIN material ma ON ma.id = $3 AND ma.rev = $4
	JOIN stock st ON st.id = $5 AND st.rev = $6
	JOIN machine m ON m.id = $7 AND m.rev = $8
	WHERE p.id = $1 AND p.disabled_at IS NULL
	FOR SHARE OF p, a, ma, st, m`

func (b bound) guard(operator uuid.UUID, m Machine) statement {
	return statement{sql: guardBound, args: []any{operator, b.authorisation, b.material.ID, b.material.Rev, b.stock.ID, b.stock.Rev, m.ID, m.Rev}, rows: 1}
}

// SignOff signs the complete answers of a run and issues its permit: one transaction (I1). The
// challenge is the worker's answer to this very press of Sign; attendanceHash is the SHA-256 of the
// token that taps will show. Errors: ErrNotFound, *Refused with all reasons at once, ErrConflict.
func (s *Store) SignOff(ctx context.Context, actor Actor, id uuid.UUID, challenge, attendanceHash [32]byte) (Permit, error) {
	var issued Permit
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		r, err := s.run(ctx, id)
		if err != nil {
			return write{}, err
		}
		var site Site
		var head logbook.Tree
		var awaited []Awaited
		var made []byte
		g, b, err := s.gate(ctx, actor, r, func(reads *pgx.Batch) {
			readSite(reads, &site)
			readTree(reads, &head)
			readAwaited(reads, &awaited)
			readBlob(reads, r.Plan, &made)
		})
		if err != nil {
			return write{}, err
		}
		if err := s.signable(ctx, actor, g, awaited, made); err != nil {
			return write{}, err
		}
		signOff, err := bindSignOff(actor, g, b)
		if err != nil {
			return write{}, err
		}
		data, err := canon.Marshal(signOff)
		if err != nil {
			return write{}, err
		}
		p := permitFor(site, head, g, signOff, canon.Sum(data), challenge, attendanceHash)
		text, err := permit.Sign(s.cfg.PermitSigner, p)
		if err != nil {
			return write{}, err
		}
		issued = Permit{Note: text, Digest: permit.Digest(text)}
		return issueWrite(actor, g, b, s.guardPermitKey(), data, p, issued)
	})
	if err != nil {
		return Permit{}, err
	}
	issued.Run, err = s.run(ctx, id)
	return issued, err
}

// signable lists everything that still says no; encoded is the plan.
func (s *Store) signable(ctx context.Context, actor Actor, g Gate, awaited []Awaited, encoded []byte) error {
	if err := atGate(actor, g); err != nil {
		return err
	}
	no := append(closedReasons(awaited), g.Reasons...)
	if err := s.atStation(ctx, actor, g.Machine.ID); err != nil {
		return err
	}
	for _, bar := range g.Bars {
		switch {
		case !bar.Answered:
			no = append(no, checklist.Reason{What: bar.Item.Title + " is not answered", Next: bar.Item.Ask})
		case !bar.Up:
			no = append(no, checklist.Reason{What: bar.Item.Title + ": " + bar.Problem, Next: bar.Next})
		}
	}
	if g.Run.Placement != nil {
		made, err := plan.Decode(encoded)
		if err != nil {
			return err
		}
		if made.Profile != g.Machine.ProfileDigest {
			no = append(no, checklist.Reason{What: "the machine's profile changed since the plan was made", Next: "make the plan again and submit it"})
		}
		for _, r := range made.CheckPlacement(g.Machine.Profile, g.Run.Placement.Origin, sheetAt(g.Facts, g.Run.Placement.Origin)) {
			no = append(no, checklist.Reason{What: r.What, Next: r.Next})
		}
	}
	if len(no) > 0 {
		return &Refused{Reasons: no}
	}
	return nil
}

func bindSignOff(actor Actor, g Gate, b bound) (checklist.SignOff, error) {
	out := checklist.SignOff{Run: g.Run.ID, Job: g.Run.Job, Machine: g.Machine.ID, Operator: actor.Person, Station: actor.Station,
		Authorisation: b.authorisation, Plan: g.Run.Plan, Profile: g.Machine.ProfileDigest, Checklist: b.checklist,
		Shown: make(map[string]string), Answers: make(map[string]checklist.Values), Numbers: make(map[string][]string)}
	for _, bar := range g.Bars {
		out.Shown[bar.Item.Key] = bar.Needs
		out.Answers[bar.Item.Key] = bar.Values
		for _, n := range checklist.Numbers(bar.Item.Key, g.Facts) {
			out.Numbers[bar.Item.Key] = append(out.Numbers[bar.Item.Key], n.Line())
		}
	}
	out.Shown[checklist.ShownPlacement] = g.Run.Placed().Words()
	sheet := geom.Pt(b.stock.SheetWidthUM, b.stock.SheetHeightUM)
	var err error
	if out.Placement, err = canon.DigestOf(placementBound(g.Run, sheet)); err != nil {
		return out, err
	}
	if out.Stock, err = canon.DigestOf(checklist.StockBound{Stock: b.stock.ID, Material: b.material.ID, Lot: b.stock.Lot,
		ThicknessUM: b.stock.ThicknessUM, ToleranceUM: b.stock.ToleranceUM, GrammageGPerM2: b.stock.GrammageGPerM2, Sheet: sheet}); err != nil {
		return out, err
	}
	out.Material, err = canon.DigestOf(b.material.Material)
	return out, err
}

// placementBound is what of the placing a sign-off binds.
func placementBound(r Run, sheet geom.Point) checklist.PlacementBound {
	return checklist.PlacementBound{Origin: r.Placement.Origin, Homed: r.Placement.Homed, Sheet: sheet, FocusUM: r.FocusUM,
		Traced: r.Traced != nil && *r.Traced == r.Placement.Origin, Tool: r.Fitted}
}

func permitFor(site Site, head logbook.Tree, g Gate, so checklist.SignOff, digest canon.Digest, challenge, attendance [32]byte) permit.Permit {
	return permit.Permit{Serial: newID(), Run: g.Run.ID, Machine: g.Machine.ID, MachineKey: g.Machine.WorkerKey, Plan: so.Plan,
		Placement: so.Placement, Profile: so.Profile, Stock: so.Stock, SignOff: digest,
		OriginXUM: g.Run.Placement.Origin.X, OriginYUM: g.Run.Placement.Origin.Y,
		SheetWUM: g.Facts.Stock.SheetWidthUM, SheetHUM: g.Facts.Stock.SheetHeightUM,
		Operator: so.Operator, Epoch: site.Epoch, Challenge: challenge, AgeLimitS: permitAgeS, Attendance: attendance,
		LogSize: head.Size, LogRoot: head.Root()}
}

func issueWrite(actor Actor, g Gate, b bound, guardKey statement, signOff []byte, p permit.Permit, issued Permit) (write, error) {
	move, err := g.Run.Phase.After(queue.Signed)
	if err != nil {
		return write{}, err
	}
	w := write{statements: b.attended.guard(actor.Person, g.Run.ID)}
	w.statements = append(w.statements, []statement{
		{sql: `SELECT 1 FROM site WHERE pairs_rev = $1 FOR SHARE`, args: []any{b.pairsRev}, rows: 1},
		b.guard(actor.Person, g.Machine),
		guardOpenSite,
		guardKey,
		{sql: `INSERT INTO sign_off (digest, run, data, operator) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
			args: []any{p.SignOff[:], g.Run.ID, signOff, actor.Person}, rows: anyRows},
		{sql: `INSERT INTO permit (digest, run, machine, sign_off, challenge, note) VALUES ($1, $2, $3, $4, $5, $6)`,
			args: []any{issued.Digest[:], g.Run.ID, g.Machine.ID, p.SignOff[:], p.Challenge[:], string(issued.Note)}, rows: 1},
	}...)
	moveRun(&w, actor, g.Run, move, "", nil, logbook.Body{logbook.FieldSignoff: p.SignOff[:], logbook.FieldPermit: issued.Digest[:],
		logbook.FieldNote: string(issued.Note)})
	return w, nil
}

// Void takes a live permit back; the answers are gone with it. It returns the signed statement for
// the worker. Errors: ErrMoved when nothing is permitted.
func (s *Store) Void(ctx context.Context, actor Actor, id uuid.UUID, reason string) ([]byte, error) {
	var text []byte
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		r, err := s.run(ctx, id)
		if err != nil {
			return write{}, err
		}
		move, err := r.Phase.After(queue.Voided)
		if err != nil {
			return write{}, err
		}
		var w write
		text, err = s.voidPermit(ctx, &w, actor, r, move, reason)
		return w, err
	})
	return text, err
}

func (s *Store) voidPermit(ctx context.Context, w *write, actor Actor, r Run, move queue.Move, reason string) ([]byte, error) {
	var digest []byte
	if err := s.pool.QueryRow(ctx, `SELECT digest FROM permit WHERE run = $1 AND ended = ''`, r.ID).Scan(&digest); err != nil {
		if errors.Is(err, pgx.ErrNoRows) {
			return nil, ErrConflict // it moved between the two reads
		}
		return nil, err
	}
	w.statements = append(w.statements,
		statement{sql: `UPDATE permit SET ended = 'voided' WHERE digest = $1 AND ended = ''`, args: []any{digest}, rows: 1},
		statement{sql: `DELETE FROM answer WHERE run = $1`, args: []any{r.ID}, rows: anyRows})
	moveRun(w, actor, r, move, reason, map[string]any{"opened_at": databaseNow}, logbook.Body{logbook.FieldPermit: digest})
	return permit.Sign(s.cfg.PermitSigner, permit.Void{Machine: r.Machine, Run: r.ID, Permit: canon.Digest(digest), Reason: reason})
}

// Take is the server's half of the burn: permitted → starting together with the burn, or a refusal,
// either way as a signed go. A permit that was burned already gets the answer of then, as long as
// nothing moved since. An error means no answer at all, and the worker does not move.
func (s *Store) Take(ctx context.Context, machine uuid.UUID, t broker.Taken) ([]byte, error) {
	answer := permit.Go{Machine: machine, Run: t.Run, Permit: t.Permit, Challenge: t.Challenge}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) { return s.burn(ctx, machine, t) })
	switch {
	case err == nil, errors.Is(err, errBurnedSame):
		answer.Granted, answer.Reason = true, "granted"
	case errors.Is(err, queue.ErrMoved), errors.Is(err, ErrNotFound), errors.Is(err, ErrConflict):
		s.log.Warn("go refused", "machine", machine, "run", t.Run, "why", err)
		answer.Reason = "the permit is no longer live"
	default:
		return nil, err
	}
	return permit.Sign(s.cfg.PermitSigner, answer)
}

var errBurnedSame = errors.New("burned already by the same taken")

func (s *Store) burn(ctx context.Context, machine uuid.UUID, t broker.Taken) (write, error) {
	var ended string
	var phase queue.Phase
	var challenge, data []byte
	var lockedOut bool
	var r Run
	// One round trip: the worker moves, or gives up within two seconds, at the answer.
	var reads pgx.Batch
	reads.Queue(`SELECT p.ended, r.phase, p.challenge, so.data,
			EXISTS (SELECT 1 FROM lockout l WHERE l.machine = p.machine AND l.lifted_at IS NULL)
		FROM permit p JOIN sign_off so ON so.digest = p.sign_off
		JOIN run r ON r.id = p.run WHERE p.digest = $1 AND p.run = $2 AND p.machine = $3`, t.Permit[:], t.Run, machine).QueryRow(func(row pgx.Row) error {
		return row.Scan(&ended, &phase, &challenge, &data, &lockedOut)
	})
	readRun(&reads, t.Run, &r)
	if err := s.read(ctx, &reads); err != nil {
		return write{}, meaning(err)
	}
	if [32]byte(challenge) != t.Challenge {
		return write{}, fmt.Errorf("%w: another challenge", queue.ErrMoved)
	}
	if lockedOut {
		return write{}, fmt.Errorf("%w: the machine is locked out", queue.ErrMoved) // I8, also for a go that was lost
	}
	if ended == "burned" && phase == queue.Starting {
		return write{}, errBurnedSame
	}
	if phase != r.Phase {
		return write{}, ErrConflict // it moved between the two reads: look again
	}
	move, err := r.Phase.After(queue.Burned)
	if err != nil {
		return write{}, err
	}
	var signOff checklist.SignOff
	if err := canon.Unmarshal(data, &signOff); err != nil {
		return write{}, err
	}
	w := write{statements: []statement{
		{sql: `UPDATE stock SET count = count - 1, reserved = reserved - 1, rev = rev + 1 WHERE id = $1 AND reserved > 0`, args: []any{r.Stock}, rows: 1},
		// I8 and I10 once more, at the last moment: nothing that was bound may have gone.
		{sql: `SELECT 1 FROM person p
			JOIN authorisation a ON a.id = $2 AND a.person = p.id AND authorisation_holds(a)
			JOIN machine m ON m.id = $3 AND m.profile = $4 AND NOT EXISTS (SELECT 1 FROM lockout l WHERE l.machine = m.id AND l.lifted_at IS NULL)
			WHERE p.id = $1 AND p.disabled_at IS NULL FOR SHARE OF p, a, m`,
			args: []any{signOff.Operator, signOff.Authorisation, machine, signOff.Profile[:]}, rows: 1,
			conflict: fmt.Errorf("%w: what the sign-off binds is gone", queue.ErrMoved)},
		{sql: `UPDATE permit SET ended = 'burned' WHERE digest = $1 AND ended = ''`, args: []any{t.Permit[:]}, rows: 1},
		{sql: `INSERT INTO burn (run, permit) VALUES ($1, $2)`, args: []any{t.Run, t.Permit[:]}, rows: 1},
	}}
	moveRun(&w, Actor{}, r, move, "", map[string]any{"stock_taken": true}, logbook.Body{logbook.FieldPermit: t.Permit[:]})
	return w, nil
}

// Leave issues a set-up leave for the machine of a run at the gate: motion without beam, answering
// the worker's challenge. Errors: ErrNotFound, *Refused.
func (s *Store) Leave(ctx context.Context, actor Actor, id uuid.UUID, challenge [32]byte) ([]byte, error) {
	site, err := s.Site(ctx)
	if err != nil {
		return nil, err
	}
	var text []byte
	_, err = s.movedBy(ctx, actor, id, func(ctx context.Context, g Gate, w *write) error {
		if err := atGate(actor, g); err != nil {
			return err
		}
		if err := g.forbidden(); err != nil {
			return err
		}
		// A lockout bumps the machine's rev: no leave comes after it.
		w.statements = append(w.statements, statement{sql: `SELECT 1 FROM machine WHERE id = $1 AND rev = $2 FOR SHARE`,
			args: []any{g.Machine.ID, g.Machine.Rev}, rows: 1})
		leave := permit.Leave{Serial: newID(), Machine: g.Machine.ID, Operator: actor.Person, Epoch: site.Epoch, Challenge: challenge, AgeLimitS: leaveAgeS}
		var err error
		if text, err = permit.Sign(s.cfg.PermitSigner, leave); err != nil {
			return err
		}
		digest := permit.Digest(text)
		w.entries = append(w.entries, draft{kind: logbook.LeaveIssued, actor: actor, subjects: runSubjects(id, g.Machine.ID, g.Run.Job),
			body: logbook.Body{"leave": digest[:]}})
		return nil
	})
	return text, err
}

// LeaveToMeasure issues a set-up leave for what the worker measures at an open commissioning. Errors: ErrNotFound,
// *Refused.
func (s *Store) LeaveToMeasure(ctx context.Context, actor Actor, id uuid.UUID, question string, challenge [32]byte) ([]byte, error) {
	site, err := s.Site(ctx)
	if err != nil {
		return nil, err
	}
	var text []byte
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		c, err := s.Commissioning(ctx, id)
		if err != nil {
			return write{}, err
		}
		m, err := s.Machine(ctx, c.Machine)
		if err != nil {
			return write{}, err
		}
		if c.EndedAt != nil {
			return write{}, refuse("this commissioning has ended", "begin another one")
		}
		if !m.Profile.WorkerMeasures(question) {
			return write{}, refuse("the worker cannot find that out", "measure it at the machine")
		}
		leave := permit.Leave{Serial: newID(), Machine: m.ID, Operator: actor.Person, Epoch: site.Epoch, Challenge: challenge, AgeLimitS: leaveAgeS}
		if text, err = permit.Sign(s.cfg.PermitSigner, leave); err != nil {
			return write{}, err
		}
		digest := permit.Digest(text)
		return write{
			statements: []statement{{sql: `SELECT 1 FROM machine WHERE id = $1 AND rev = $2 FOR SHARE`, args: []any{m.ID, m.Rev}, rows: 1}},
			entries: []draft{{kind: logbook.LeaveIssued, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, m.ID)},
				body: logbook.Body{"leave": digest[:], "measure": question}}},
		}, nil
	})
	return text, err
}

// Resume signs the statement that lets a paused run go on, and logs that the operator looked; the phase moves
// when the worker reports that it did. Errors: ErrMoved unless paused, *Refused for anybody but the attending
// operator, and for what they saw.
func (s *Store) Resume(ctx context.Context, actor Actor, id uuid.UUID, saw checklist.LookedAgain) ([]byte, error) {
	var text []byte
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		g, err := s.Gate(ctx, actor, id)
		if err != nil {
			return write{}, err
		}
		if _, err := g.Run.Phase.After(queue.Resumed); err != nil {
			return write{}, err
		}
		if g.Run.Operator != actor.Person {
			return write{}, refuse("only the attending operator may resume this run", "ask "+g.Run.OperatorName)
		}
		if _, err := s.operating(ctx, actor, g.Run, "stop the run"); err != nil {
			return write{}, err
		}
		if g.Machine.Lockout != nil {
			return write{}, refuse("the machine is locked out: "+g.Machine.Lockout.Reason, "stop the run")
		}
		if no := saw.Refuse(g.Facts.Tool); len(no) > 0 {
			return write{}, &Refused{Reasons: no}
		}
		if len(g.Run.PauseToken) != 32 {
			return write{}, ErrConflict
		}
		text, err = permit.Sign(s.cfg.PermitSigner, permit.Resume{Machine: g.Machine.ID, Run: id, Operator: actor.Person, PauseToken: [32]byte(g.Run.PauseToken)})
		return write{
			statements: []statement{{sql: `SELECT 1 FROM run WHERE id = $1 AND phase = 'paused' AND pause_token = $2 FOR SHARE`, args: []any{id, g.Run.PauseToken}, rows: 1}},
			entries: []draft{{kind: logbook.AnswerGiven, actor: actor, subjects: runSubjects(id, g.Machine.ID, g.Run.Job),
				body: logbook.Body{"item": "resume", "up": true}}},
		}, err
	})
	if err != nil {
		return nil, err
	}
	return text, nil
}

// NoteStop logs that a signed-in person pressed Stop run on a machine, whatever it did; a permit
// that is not burned yet is voided. Whoever is not signed in stops as well, but leaves no entry of
// their own: the worker reports the stop. Errors: ErrNotFound for a machine that there is not.
func (s *Store) NoteStop(ctx context.Context, actor Actor, machine uuid.UUID, where string) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		open, err := s.runs(ctx, `r.machine = $1 AND r.phase NOT IN ('proposed', 'closed') ORDER BY r.phase = 'checking', r.number LIMIT 1`, machine)
		if err != nil {
			return write{}, err
		}
		// Entries are for ever, so nobody may fill the logbook with machines of their own making.
		w := write{statements: []statement{{sql: `SELECT 1 FROM machine WHERE id = $1`, args: []any{machine}, rows: 1, conflict: ErrNotFound}}}
		subjects := []logbook.Subject{about(logbook.RoleMachine, machine)}
		body := logbook.Body{"where": where}
		if len(open) > 0 {
			subjects = runSubjects(open[0].ID, machine, open[0].Job)
			body["phase"] = string(open[0].Phase)
		}
		if actor.Person != uuid.Nil {
			w.entries = append(w.entries, draft{kind: logbook.StopPressed, actor: actor, subjects: subjects, body: body})
		}
		if len(open) > 0 && open[0].Phase == queue.Permitted {
			move, err := open[0].Phase.After(queue.Voided)
			if err != nil {
				return write{}, err
			}
			if _, err := s.voidPermit(ctx, &w, actor, open[0], move, "stop pressed"); err != nil {
				return write{}, err
			}
		}
		if len(w.entries) == 0 {
			return write{}, errNothing
		}
		return w, nil
	})
	if errors.Is(err, errNothing) {
		return nil
	}
	return err
}

// errNothing leaves a change without writing.
var errNothing = errors.New("nothing to change")
