package generate

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
)

// history is a site's past while it is written.
type history struct {
	cfg    Config
	tx     pgx.Tx
	rng    *rand.Rand
	rows   rows
	tree   logbook.Tree
	epoch  [16]byte
	origin string

	now       time.Time
	members   []*member
	operators []uuid.UUID
	member    func() int // who hands in, some far more often than others
	kinds     []*kind
	machines  []*bench
	shelf     []*lot
	number    int64 // of the next run
	serial    uint64
	lots      int
	drawings  int
	over      int // runs that are over
	err       error
}

// member hands in.
type member struct {
	id       uuid.UUID
	drawings []*drawn // the newest
	sets     []uuid.UUID
}

// flushAt is how many entries wait before they are copied.
const flushAt = 20_000

// headEvery is how many entries lie between two signed heads.
const headEvery = 2_000

// live lets every machine work until there are enough runs, many at a time as in a workshop, and then
// queues what waits.
func (h *history) live(ctx context.Context) error {
	// Half a day is closed, and so is one day of seven.
	step := h.cfg.span() / 2 * 6 / 7 / time.Duration(max(1, h.cfg.Entries))
	lanes := make([]*lane, len(h.machines))
	for i, m := range h.machines {
		lanes[i] = &lane{h: h, bench: m}
	}
	// Some machines are in far more use than others, as some members hand in far more.
	busiest := h.spread(len(lanes))
	for h.over < h.cfg.Runs {
		h.tick(step)
		lanes[busiest()].step()
		if err := h.keep(ctx); err != nil {
			return err
		}
	}
	for _, l := range lanes {
		for l.busy() {
			h.tick(step)
			l.step()
			if err := h.keep(ctx); err != nil {
				return err
			}
		}
	}
	for range h.cfg.Waiting {
		for _, m := range h.machines {
			job := h.submit(m, 1)
			h.addRun(&runRow{id: job.runs[0], job: job, copy: 1, proposed: h.now}, "proposed", "", "")
		}
		if err := h.keep(ctx); err != nil {
			return err
		}
	}
	h.keepShelf()
	h.keepUpkeep()
	if h.err != nil {
		return h.err
	}
	if err := h.rows.flush(ctx, h.tx); err != nil {
		return err
	}
	if _, err := h.tx.Exec(ctx, `UPDATE log_head SET size = $1, frontier = $2`, h.tree.Size, h.tree.EncodeFrontier()); err != nil {
		return err
	}
	_, err := h.tx.Exec(ctx, `SELECT setval('run_number', $1)`, h.number)
	return err
}

// spread picks of n by Zipf's law (rand.Zipf): of 20 the first is picked every seventh time.
func (h *history) spread(n int) func() int {
	z := rand.NewZipf(h.rng, 1.1, 4, uint64(n-1))
	return func() int { return int(z.Uint64()) }
}

// keep copies what has gathered.
func (h *history) keep(ctx context.Context) error {
	if h.err != nil || h.rows.entries < flushAt {
		return h.err
	}
	return h.rows.flush(ctx, h.tx)
}

// id is the next id: a version 7 UUID (RFC 9562 §5.7) of the history's own clock, so that ids lie in the
// indexes as real ones do.
func (h *history) id() (id uuid.UUID) {
	h.serial++
	binary.BigEndian.PutUint64(id[:8], uint64(h.now.UnixMilli())<<16)
	binary.BigEndian.PutUint64(id[8:], h.serial<<8|h.rng.Uint64()&0xff)
	id[6] = 0x70 | byte(h.rng.Uint32())&0x0f
	id[8] = 0x80 | id[8]&0x3f
	return id
}

func about(role string, id uuid.UUID) logbook.Subject {
	return logbook.Subject{Role: role, ID: logbook.ID(id)}
}

// entry appends to the logbook as a change does: encoded, hashed into the tree, its subjects and who did it
// beside it.
func (h *history) entry(kind logbook.Kind, actor uuid.UUID, body logbook.Body, subjects ...logbook.Subject) {
	data, err := logbook.Entry{Time: h.now.UTC().Truncate(time.Microsecond), Kind: kind, Actor: logbook.ID(actor), Subjects: subjects, Body: body}.Encode()
	if err != nil {
		h.err = fmt.Errorf("%s: %w", kind, err)
		return
	}
	index, stored := h.tree.Append(data)
	h.rows.add("log_entry", index, data, h.now, string(kind))
	named := make([]uuid.UUID, 0, 5)
	for _, s := range subjects {
		named = append(named, uuid.UUID(s.ID))
	}
	if actor != uuid.Nil {
		named = append(named, actor)
	}
	for i, id := range named {
		if !slices.Contains(named[:i], id) {
			h.rows.add("log_subject", id, index)
		}
	}
	for _, x := range stored {
		h.rows.add("log_hash", x.Index, x.Hash[:])
	}
	if h.tree.Size%headEvery == 0 {
		signed, err := logbook.SignHead(logbook.Head{Origin: h.origin, Size: h.tree.Size, Root: h.tree.Root()}, h.cfg.LogSigner)
		if err != nil {
			h.err = err
			return
		}
		h.rows.add("log_signed_head", h.tree.Size, string(signed), h.now)
	}
}

// submitted is a job with the runs that are still to come.
type submitted struct {
	id   uuid.UUID
	by   *member
	work *work
	lot  *lot
	plan canon.Digest
	ms   int64 // that the plan takes
	runs []uuid.UUID
}

// sheets is how many sheets of a lot have to be left for it to be planned for.
const sheets = 5

// submit hands in a job of so many copies: of a drawing that the member had before, or of another.
func (h *history) submit(on *bench, copies int) *submitted {
	m := h.members[h.member()]
	if h.rng.IntN(2) == 0 {
		h.session(m)
	}
	w := on.works[on.work()]
	if k := w.kind; k.lot == nil || k.lot.count-k.lot.reserved < sheets {
		h.stock(k, int64(copies))
	}
	var d *drawn
	if len(m.drawings) > 0 && h.rng.IntN(10) < 6 {
		d = m.drawings[h.rng.IntN(len(m.drawings))]
	} else {
		d = h.draw(m)
	}
	j := &submitted{id: h.id(), by: m, work: w, lot: w.kind.lot}
	if j.plan = h.planFor(m, d, w, j.lot); h.err != nil {
		return &submitted{by: m, work: w, lot: j.lot, runs: make([]uuid.UUID, copies)}
	}
	j.ms = w.made[d.size].Numbers.TotalMS
	j.lot.reserved += int64(copies)
	var set any
	if h.rng.IntN(6) == 0 {
		set = h.set(m)
	}
	h.rows.add("job", j.id, m.id, d.title, make([]byte, 16), d.id, j.plan[:], on.ID, w.tool.Name, w.kind.ID, j.lot.id, copies, h.now, set)
	h.entry(logbook.JobSubmitted, m.id, logbook.Body{"plan": j.plan[:], "copies": int64(copies), "title_digest": d.digest[:]},
		about(logbook.RoleJob, j.id), about(logbook.RoleMachine, on.ID), about("stock", j.lot.id))
	for range copies {
		id := h.id()
		j.runs = append(j.runs, id)
		h.about(logbook.RunProposed, m.id, j, id, logbook.Body{logbook.FieldTo: "proposed", "plan": j.plan[:]})
	}
	if set != nil {
		h.entry(logbook.JobSetChosen, m.id, nil, about(logbook.RoleJob, j.id), about("set", set.(uuid.UUID)))
	}
	return j
}

// set is the set that a job belongs to: one of the member's newest, or another.
func (h *history) set(m *member) uuid.UUID {
	if len(m.sets) > 0 && h.rng.IntN(3) > 0 {
		return m.sets[h.rng.IntN(len(m.sets))]
	}
	id := h.id()
	h.rows.add("job_set", id, m.id, "herb bed", make([]byte, 16), h.now)
	h.entry(logbook.SetMade, m.id, logbook.Body{"name_digest": make([]byte, 32)}, about("set", id))
	m.sets = append(m.sets, id)
	m.sets = m.sets[max(0, len(m.sets)-3):]
	return id
}

// about appends an entry about a run.
func (h *history) about(kind logbook.Kind, actor uuid.UUID, j *submitted, run uuid.UUID, body logbook.Body, more ...logbook.Subject) {
	h.entry(kind, actor, body, append([]logbook.Subject{about(logbook.RoleJob, j.id), about(logbook.RoleMachine, j.work.on.ID), about(logbook.RoleRun, run)}, more...)...)
}

// runRow is what becomes a row of table run.
type runRow struct {
	id, operator      uuid.UUID
	job               *submitted
	copy              int
	proposed, started time.Time
	taken             time.Time // up at the gate
	misses            int64
}

func (h *history) addRun(r *runRow, phase, event, outcome string) {
	h.number++
	var operator, x, y, placed, placedAt, taken, started, ended, last any
	if event != "" {
		last = event
	}
	fate, ms, taps := "", int64(0), int64(0)
	if r.operator != uuid.Nil {
		operator, x, y, placed, placedAt, taken = r.operator, int64(originUM), int64(originUM), r.operator, r.taken, r.taken
	}
	if !r.started.IsZero() {
		started, fate, ms = r.started, "kept", r.job.ms
		if outcome != "completed" {
			fate, ms = "scrapped", ms/2
		}
		taps = ms/60_000 + 1
	}
	if phase == "closed" {
		ended = h.now
	}
	h.rows.add("run", r.id, h.number, r.job.id, r.copy, r.job.by.id, r.job.work.on.ID, r.job.work.tool.Name, r.job.plan[:], r.job.lot.id, r.job.work.kind.ID, phase, last, outcome, true, operator,
		x, y, operator != nil, placed, placedAt, fate, ms, taps, r.misses, started != nil, r.proposed, taken, h.now, started, ended)
}
