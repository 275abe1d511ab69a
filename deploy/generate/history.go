package generate

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// history is a site's past while it is written.
type history struct {
	cfg  Config
	tx   pgx.Tx
	rng  *rand.Rand
	rows rows
	tree logbook.Tree
	like example

	now                          time.Time
	members, operators, machines []uuid.UUID
	number                       int64 // of the next run
	serial                       uint64
	over                         int // runs that are over
	err                          error
}

// flushAt is how many entries wait before they are copied.
const flushAt = 20_000

// headEvery is how many entries lie between two signed heads.
const headEvery = 2_000

// live lets every machine work until there are enough runs, many at a time as in a workshop, and then
// queues what waits.
func (h *history) live(ctx context.Context) error {
	step := h.cfg.span() / time.Duration(max(1, h.cfg.Entries))
	lanes := make([]*lane, len(h.machines))
	for i, m := range h.machines {
		lanes[i] = &lane{h: h, machine: m}
	}
	busy := len(lanes)
	for busy > 0 {
		at := h.rng.IntN(busy)
		h.now = h.now.Add(step)
		if !lanes[at].step() {
			busy--
			lanes[at], lanes[busy] = lanes[busy], lanes[at]
		}
		if err := h.keep(ctx); err != nil {
			return err
		}
	}
	for range h.cfg.Waiting {
		for _, m := range h.machines {
			job := h.submit(m, 1)
			h.addRun(&runRow{id: job.runs[0], job: job, copy: 1, proposed: h.now}, "proposed", "", "")
		}
	}
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

// entry appends to the logbook as a change does: encoded, hashed into the tree, its subjects beside it.
func (h *history) entry(kind logbook.Kind, actor uuid.UUID, body logbook.Body, subjects ...logbook.Subject) {
	data, err := logbook.Entry{Time: h.now.UTC().Truncate(time.Microsecond), Kind: kind, Actor: logbook.ID(actor), Subjects: subjects, Body: body}.Encode()
	if err != nil {
		h.err = fmt.Errorf("%s: %w", kind, err)
		return
	}
	index, stored := h.tree.Append(data)
	h.rows.add("log_entry", index, data, h.now, string(kind))
	for _, s := range subjects {
		h.rows.add("log_subject", uuid.UUID(s.ID), index)
	}
	for _, x := range stored {
		h.rows.add("log_hash", x.Index, x.Hash[:])
	}
	if h.tree.Size%headEvery == 0 {
		signed, err := logbook.SignHead(logbook.Head{Origin: h.like.origin, Size: h.tree.Size, Root: h.tree.Root()}, h.cfg.LogSigner)
		if err != nil {
			h.err = err
			return
		}
		h.rows.add("log_signed_head", h.tree.Size, string(signed), h.now)
	}
}

// submitted is a job with the runs that are still to come.
type submitted struct {
	id, member, machine uuid.UUID
	runs                []uuid.UUID
}

// submit hands in a job of so many copies.
func (h *history) submit(machine uuid.UUID, copies int) *submitted {
	j := &submitted{id: h.id(), member: h.members[h.rng.IntN(len(h.members))], machine: machine}
	h.rows.add("job", j.id, j.member, fmt.Sprintf("bed sign %d", h.serial), make([]byte, 16), h.like.drawing, h.like.plan, machine, h.like.tool,
		h.like.material, h.like.stock, copies, h.now)
	h.entry(logbook.JobSubmitted, j.member, logbook.Body{"plan": h.like.plan, "copies": int64(copies)},
		logbook.Subject{Role: logbook.RoleJob, ID: logbook.ID(j.id)}, logbook.Subject{Role: logbook.RoleMachine, ID: logbook.ID(machine)},
		logbook.Subject{Role: "stock", ID: logbook.ID(h.like.stock)})
	for range copies {
		id := h.id()
		j.runs = append(j.runs, id)
		h.about(logbook.RunProposed, j.member, j, id, logbook.Body{logbook.FieldTo: "proposed", "plan": h.like.plan})
	}
	return j
}

// about appends an entry about a run.
func (h *history) about(kind logbook.Kind, actor uuid.UUID, j *submitted, run uuid.UUID, body logbook.Body) {
	h.entry(kind, actor, body, logbook.Subject{Role: logbook.RoleJob, ID: logbook.ID(j.id)},
		logbook.Subject{Role: logbook.RoleMachine, ID: logbook.ID(j.machine)}, logbook.Subject{Role: logbook.RoleRun, ID: logbook.ID(run)})
}

// runRow is what becomes a row of table run.
type runRow struct {
	id, operator      uuid.UUID
	job               *submitted
	copy              int
	proposed, started time.Time
}

func (h *history) addRun(r *runRow, phase, event, outcome string) {
	h.number++
	var operator, x, y, placed, placedAt, started, ended, last any
	if event != "" {
		last = event
	}
	fate := ""
	if r.operator != uuid.Nil {
		operator, x, y, placed, placedAt = r.operator, int64(20_000), int64(20_000), r.operator, r.proposed
	}
	if !r.started.IsZero() {
		started, fate = r.started, "kept"
	}
	if phase == "closed" {
		ended = h.now
	}
	h.rows.add("run", r.id, h.number, r.job.id, r.copy, r.job.machine, h.like.plan, h.like.stock, phase, last, outcome, true, operator,
		x, y, operator != nil, placed, placedAt, fate, int64(60_000), started != nil, r.proposed, h.now, started, ended)
}
