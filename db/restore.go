package db

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// Restoration is what Restored found and did.
type Restoration struct {
	Epoch [16]byte // the new one, which every worker must accept by hand
	// LostFrom and LostTo are the indexes of the first and last entry that a head kept elsewhere
	// counts and this database lacks; LostTo < LostFrom where no loss is proven.
	LostFrom, LostTo int64
	Awaited          int64 // workers whose journals must be heard
}

// ErrOtherLog is returned for a head that is not of this log: another site's, or one that this
// database cannot have grown from or to.
var ErrOtherLog = errors.New("the head is not of this logbook")

// Restored closes a site that was restored from a backup (I14): a new server epoch, so that nothing
// issued before counts; open checklists and permits fall; and no permit is issued until every
// machine's worker has told its journal or an admin has written it off. heads are signed heads kept
// outside the database (printed, on a station, at a worker): the longest proves which entries were
// lost, and that is the next entry. Whether or not a loss is proven the log goes on under another
// origin, since heads that nobody has kept here may have been signed. Errors: ErrOtherLog.
func (s *Store) Restored(ctx context.Context, heads ...[]byte) (Restoration, error) {
	var done Restoration
	if _, err := rand.Read(done.Epoch[:]); err != nil {
		return done, err
	}
	databaseID, err := s.databaseID(ctx)
	if err != nil {
		return done, err
	}
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		site, err := s.Site(ctx)
		if err != nil {
			return write{}, err
		}
		tree, err := s.tree(ctx)
		if err != nil {
			return write{}, err
		}
		longest, err := s.outsideHead(ctx, site, tree, heads)
		if err != nil {
			return write{}, err
		}
		done.LostFrom, done.LostTo = tree.Size, longest.Size-1
		body := logbook.Body{"epoch": done.Epoch[:]}
		if done.LostTo >= done.LostFrom {
			body["lost_from"], body["lost_to"], body["lost_root"] = done.LostFrom, done.LostTo, longest.Root[:]
		}
		// Also of workers whose key was taken away since: they may have burned before.
		if err := s.pool.QueryRow(ctx, `SELECT count(DISTINCT machine) FROM worker_key`).Scan(&done.Awaited); err != nil {
			return write{}, err
		}
		w := write{statements: []statement{
			{sql: `SELECT 1 FROM machine FOR UPDATE`, rows: anyRows},
			{sql: `UPDATE awaited_journal SET ended = 'written off', reason = 'restored again' WHERE ended = ''`, rows: anyRows},
			{sql: `INSERT INTO awaited_journal (machine, epoch) SELECT DISTINCT machine, $1::bytea FROM worker_key`, args: []any{done.Epoch[:]}, rows: done.Awaited},
			{sql: `UPDATE site SET epoch = $1, log_epoch = $1, database_id = $2`, args: []any{done.Epoch[:], databaseID}, rows: 1},
			// A follower may have come further than this log now reaches; what it missed it is told again.
			{sql: `UPDATE follower SET next = least(next, $1)`, args: []any{tree.Size}, rows: anyRows},
		}}
		w.entries = append(w.entries, draft{kind: logbook.SiteRestored, body: body})
		return w, s.voidOpen(ctx, &w, System, "restored from a backup", "true")
	})
	if err != nil {
		return done, err
	}
	// The newest head is of the new origin from now on.
	_, _, err = s.LogHead(ctx)
	return done, err
}

// outsideHead is the longest of the heads, each held against this log: it is of this site, signed
// with its key, and where the log is long enough its root is the log's.
func (s *Store) outsideHead(ctx context.Context, site Site, tree logbook.Tree, heads [][]byte) (logbook.Head, error) {
	var longest logbook.Head
	verifier, err := note.NewVerifier(s.cfg.LogVerifier)
	if err != nil {
		return longest, fmt.Errorf("log key: %w", err)
	}
	for _, text := range heads {
		h, err := logbook.OpenHead(text, note.VerifierList(verifier))
		if err != nil {
			return longest, fmt.Errorf("%w: %w", ErrOtherLog, err)
		}
		if h.Origin != s.origin(site) {
			return longest, fmt.Errorf("%w: its origin is %s, this log's is %s", ErrOtherLog, h.Origin, s.origin(site))
		}
		if h.Size <= tree.Size && h.Size > 0 {
			root, err := tlog.TreeHash(h.Size, hashes{ctx, s})
			if err != nil {
				return longest, err
			}
			if root != h.Root {
				return longest, fmt.Errorf("%w: the first %d entries here have another root", ErrOtherLog, h.Size)
			}
		}
		if h.Size > longest.Size {
			longest = h
		}
	}
	return longest, nil
}

// databaseID names the Postgres and its timeline. A restore into another cluster changes the first,
// a recovery to a point in time the second.
func (s *Store) databaseID(ctx context.Context) (id string, err error) {
	err = s.pool.QueryRow(ctx, `SELECT sy.system_identifier || '/' || cp.timeline_id FROM pg_control_system() sy, pg_control_checkpoint() cp`).Scan(&id)
	return id, err
}

// NoticeRestore closes the site where its database is not the one that it was last opened on, as
// after a restore that nobody told Kerfgate about. Restoration is zero where it is the same.
func (s *Store) NoticeRestore(ctx context.Context) (Restoration, error) {
	here, err := s.databaseID(ctx)
	if err != nil {
		return Restoration{}, err
	}
	var known string
	if err := s.pool.QueryRow(ctx, `SELECT database_id FROM site`).Scan(&known); err != nil {
		return Restoration{}, meaning(err)
	}
	switch known {
	case here:
		return Restoration{}, nil
	case "": // opened for the first time since it is noticed
		_, err := s.pool.Exec(ctx, `UPDATE site SET database_id = $1 WHERE database_id = ''`, here)
		return Restoration{}, err
	}
	return s.Restored(ctx)
}

// Awaited is a machine whose worker has not told its journal since the restore.
type Awaited struct {
	Machine uuid.UUID
	Name    string
}

// AwaitedJournals lists the machines that keep the site closed; none means that it is open.
func (s *Store) AwaitedJournals(ctx context.Context) ([]Awaited, error) {
	var list []Awaited
	var reads pgx.Batch
	readAwaited(&reads, &list)
	return list, s.read(ctx, &reads)
}

func readAwaited(b *pgx.Batch, list *[]Awaited) {
	b.Queue(`SELECT m.id, m.name FROM awaited_journal a JOIN machine m ON m.id = a.machine WHERE a.ended = '' ORDER BY m.bay, m.name`).Query(func(rows pgx.Rows) (err error) {
		*list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Awaited])
		return err
	})
}

// closedReasons says why no permit is issued after a restore, for every machine that is awaited.
func closedReasons(awaited []Awaited) (no []checklist.Reason) {
	for _, a := range awaited {
		no = append(no, checklist.Reason{What: "the database was restored and the worker of " + a.Name + " has not told its journal",
			Next: "accept the new server epoch at that machine, or have an admin write its journal off with a reason"})
	}
	return no
}

// guardOpenSite makes a sign-off a conflict where a restore closed the site meanwhile.
var guardOpenSite = statement{sql: `SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM awaited_journal WHERE ended = '')`, rows: 1}

func (s *Store) awaited(ctx context.Context, machine uuid.UUID) (is bool, err error) {
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM awaited_journal WHERE machine = $1 AND ended = '')`, machine).Scan(&is)
	return is, err
}

// untold says whether the worker's journal was not heard since the restore, also where it was written
// off meanwhile: a card that was thought lost may turn up again. Until it has told all, its numbers go
// on where it left off, and what it burned is burned. A journal that was lost is told by nobody.
func (s *Store) untold(ctx context.Context, machine uuid.UUID) (is bool, err error) {
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM awaited_journal a JOIN site ON site.epoch = a.epoch
		WHERE a.machine = $1 AND a.ended <> 'heard' AND NOT a.lost)`, machine).Scan(&is)
	return is, err
}

// journalTold takes the closing report of a journal under a new epoch: the machine is awaited no
// longer, and what it did not tell of as burned was not burned. A journal that nobody waits for, or
// that was told under another epoch, changes nothing.
func (s *Store) journalTold(ctx context.Context, w *write, machine uuid.UUID, rep broker.Report) error {
	const waitedFor = `machine = $1 AND epoch = $2 AND ended <> 'heard' AND NOT lost`
	var is bool
	if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM awaited_journal WHERE `+waitedFor+`)`, machine, rep.Epoch[:]).Scan(&is); err != nil || !is {
		return err
	}
	w.statements = append(w.statements, statement{sql: `UPDATE awaited_journal SET ended = 'heard' WHERE ` + waitedFor,
		args: []any{machine, rep.Epoch[:]}, rows: 1})
	w.entries = append(w.entries, draft{kind: logbook.JournalHeard, subjects: []logbook.Subject{about(logbook.RoleMachine, machine)},
		body: logbook.Body{"epoch": rep.Epoch[:], "number": rep.Number}})
	return nil
}

// journalBurn brings a run to what the worker's journal says: it burned, so it never moves again. A
// run after which another one burned was over and looked at in the time that is lost; the last one
// waits for a person to look at its sheet.
func (s *Store) journalBurn(ctx context.Context, r Run, rep broker.Report) (write, error) {
	if r.Phase == queue.Closed || (r.Phase == queue.Inspecting && !rep.Later) {
		return seen(r), nil
	}
	if !r.Phase.Active() {
		var another bool
		if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM run WHERE machine = $1 AND id <> $2
			AND phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting'))`, r.Machine, r.ID).Scan(&another); err != nil {
			return write{}, err
		}
		if another { // the machine cannot be at two; a person finds this one in the logbook
			return rejected(r.Machine, rep, &r), nil
		}
	}
	var w write
	if r.Phase == queue.Permitted {
		w.statements = append(w.statements, statement{sql: `UPDATE permit SET ended = 'voided' WHERE run = $1 AND ended = ''`, args: []any{r.ID}, rows: 1})
	}
	if r.Phase == queue.Proposed || r.Phase == queue.Checking || r.Phase == queue.Permitted {
		w.statements = append(w.statements,
			statement{sql: `DELETE FROM answer WHERE run = $1`, args: []any{r.ID}, rows: anyRows},
			statement{sql: `UPDATE stock SET reserved = reserved - 1, count = count - CASE WHEN $2 THEN 0 ELSE 1 END, rev = rev + 1 WHERE id = $1`,
				args: []any{r.Stock, rep.NeverMoved}, rows: 1})
	}
	return w, s.walkToInspection(&w, System, r, rep.NeverMoved, rep.Later, reasonRestored)
}

// seen notes that a worker told of a run that needs nothing done.
func seen(r Run) write {
	return write{entries: []draft{{kind: logbook.WorkerSeen, subjects: runSubjects(r.ID, r.Machine, r.Job),
		body: logbook.Body{"phase": string(r.Phase)}}}}
}

const reasonRestored = "restored from a backup"

// walkToInspection moves a run, whatever its phase, to where a person looks at its sheet, and on to
// closed where that was done in a time that nothing here remembers.
func (s *Store) walkToInspection(w *write, actor Actor, r Run, neverMoved, looked bool, reason string) error {
	for r.Phase != queue.Closed && (looked || r.Phase != queue.Inspecting) {
		event := queue.Interrupted
		switch r.Phase {
		case queue.Proposed, queue.Checking:
			event = queue.Restored
		case queue.Purging:
			event = queue.Purged
		case queue.Inspecting:
			event = queue.Inspected
		}
		move, err := r.Phase.After(event)
		if err != nil {
			return err
		}
		set, body := map[string]any{}, logbook.Body{}
		if move.Outcome != queue.NoOutcome {
			if neverMoved {
				set["never_moved"], body[logbook.FieldNeverMoved] = true, true
			}
			switch r.Phase {
			case queue.Proposed, queue.Checking, queue.Permitted:
				set["stock_taken"] = !neverMoved
			}
		}
		if move.To == queue.Closed {
			set["sheet_fate"] = string(SheetScrapped) // what nobody remembers is not counted as a piece
		}
		moveRun(w, actor, r, move, reason, set, body)
		r.Phase, r.Rev = move.To, r.Rev+1
	}
	return nil
}

// WriteOffJournal opens the site without the journal of a machine whose worker's folder is lost: a
// run that stands as active there becomes interrupted and waits for a person's look. Only an admin
// may, with a reason. Errors: ErrNotAllowed, ErrNotFound where it is not awaited, *Refused.
func (s *Store) WriteOffJournal(ctx context.Context, actor Actor, machine uuid.UUID, reason string) error {
	if actor != System && !actor.Role.Admin() {
		return ErrNotAllowed
	}
	if !reasonFits(reason) {
		return refuse("writing a journal off needs a reason", "say in a sentence why the worker cannot tell it")
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		if is, err := s.awaited(ctx, machine); err != nil {
			return write{}, err
		} else if !is {
			return write{}, ErrNotFound
		}
		salt := newSalt()
		digest := logbook.SaltedDigest(salt, []byte(reason))
		w := write{
			statements: []statement{
				{sql: `SELECT 1 FROM machine WHERE id = $1 FOR NO KEY UPDATE`, args: []any{machine}, rows: 1},
				{sql: `UPDATE awaited_journal SET ended = 'written off', reason = $2, salt = $3 WHERE machine = $1 AND ended = ''`, args: []any{machine, reason, salt}, rows: 1}},
			entries: []draft{{kind: logbook.JournalWrittenOff, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, machine)},
				body: logbook.Body{"reason": digest[:]}}},
		}
		active, err := s.runs(ctx, `r.machine = $1 AND r.phase IN ('starting', 'running', 'paused', 'purging')`, machine)
		if err != nil {
			return write{}, err
		}
		for _, r := range active {
			if err := s.walkToInspection(&w, actor, r, false, false, "the journal was written off"); err != nil {
				return write{}, err
			}
		}
		return w, nil
	})
	return err
}
