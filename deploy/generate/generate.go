// Package generate gives a site years of history, so that lists can be measured against them: people,
// machines, jobs, runs with all that belongs to them, and a logbook with a real tree whose check passes.
// Rows go in through COPY, past the server: for test databases alone.
package generate

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/db/logbook"
)

// Size says how much history a site gets.
type Size struct {
	Members  int
	Machines int
	Runs     int // that are over
	Entries  int // of the logbook, about; a run has at least 25
	Waiting  int // runs in the queue of every machine
}

// Config is what Fill needs.
type Config struct {
	Size
	// Conn is signed in as the superuser and used by nobody else.
	Conn *pgx.Conn
	// The site's signers.
	PermitSigner, LogSigner note.Signer
	// Like is a job whose drawing, plan, lot and machine all generated jobs and machines are like.
	Like uuid.UUID
	// Now is when the history ends; a run takes two minutes and a half of it, at most ten years in all.
	Now  time.Time
	Seed uint64
}

// Fill adds the history to a site. It is one transaction.
func Fill(ctx context.Context, cfg Config) (err error) {
	if cfg.Members < 1 || cfg.Machines < 1 || cfg.Runs < 1 {
		return errors.New("generate: members, machines and runs are needed")
	}
	tx, err := cfg.Conn.Begin(ctx)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, tx.Rollback(context.WithoutCancel(ctx)))
		}
	}()
	// Foreign keys are not looked up for each of millions of rows; what guards the logbook stays on. A run
	// is otherwise not let in but as proposed.
	if _, err := tx.Exec(ctx, `SET LOCAL session_replication_role = replica; ALTER TABLE run DISABLE TRIGGER run_begin`); err != nil {
		return err
	}
	h := &history{cfg: cfg, tx: tx, rng: rand.New(rand.NewPCG(cfg.Seed, 1)), now: cfg.Now.Add(-cfg.span())}
	if err := h.begin(ctx); err != nil {
		return fmt.Errorf("generate: %w", err)
	}
	if err := h.live(ctx); err != nil {
		return fmt.Errorf("generate: %w", err)
	}
	if _, err := tx.Exec(ctx, `ALTER TABLE run ENABLE ALWAYS TRIGGER run_begin`); err != nil {
		return err
	}
	return tx.Commit(ctx)
}

// span is how long the history is.
func (c Config) span() time.Duration {
	return min(time.Duration(c.Runs)*150*time.Second, 10*365*24*time.Hour) + time.Hour
}

// example is what generated rows are like.
type example struct {
	plan, profile     []byte
	drawing, material uuid.UUID
	stock, machine    uuid.UUID
	tool              string
	epoch             [16]byte
	origin            string
}

// begin reads the example and the growing edge of the logbook, and adds people, machines and the plans
// that everybody chose.
func (h *history) begin(ctx context.Context) error {
	var size int64
	var frontier, epoch, logEpoch []byte
	var site string
	if err := h.tx.QueryRow(ctx, `SELECT size, frontier, s.name, s.epoch, s.log_epoch FROM log_head CROSS JOIN site s FOR UPDATE OF log_head`).
		Scan(&size, &frontier, &site, &epoch, &logEpoch); err != nil {
		return err
	}
	var err error
	if h.tree, err = logbook.DecodeTree(size, frontier); err != nil {
		return err
	}
	h.like.epoch, h.like.origin = [16]byte(epoch), logbook.Origin(site, [16]byte(logEpoch))
	if err := h.tx.QueryRow(ctx, `SELECT j.plan, j.drawing, j.material, j.stock, j.machine, j.tool, m.profile, nextval('run_number')
		FROM job j JOIN machine m ON m.id = j.machine WHERE j.id = $1`, h.cfg.Like).
		Scan(&h.like.plan, &h.like.drawing, &h.like.material, &h.like.stock, &h.like.machine, &h.like.tool, &h.like.profile, &h.number); err != nil {
		return err
	}
	h.people(h.cfg.Members)
	if err := h.machinesLike(ctx); err != nil {
		return err
	}
	if err := h.rows.flush(ctx, h.tx); err != nil {
		return err
	}
	if _, err := h.tx.Exec(ctx, `UPDATE stock SET count = count + $2, reserved = reserved + $2 WHERE id = $1`, h.like.stock, h.cfg.Waiting*h.cfg.Machines); err != nil {
		return err
	}
	_, err = h.tx.Exec(ctx, `INSERT INTO plan (digest, member, drawing, machine, tool, material, stock, choice, profile, total_ms)
		SELECT l.digest, p.id, l.drawing, m.id, l.tool, l.material, l.stock,
			l.choice || jsonb_build_object('Machine', m.id), l.profile, l.total_ms
		FROM plan l CROSS JOIN unnest($2::uuid[]) p (id) CROSS JOIN unnest($3::uuid[]) m (id)
		WHERE l.digest = $1 ON CONFLICT DO NOTHING`, h.like.plan, h.members, h.machines)
	return err
}

// people adds members; every tenth may operate every machine.
func (h *history) people(n int) {
	for i := range n {
		id := h.id()
		h.members = append(h.members, id)
		h.rows.add("person", id, "generated-"+id.String(), fmt.Sprintf("Generated member %d", i), "member", "none", make([]byte, 16))
		h.entry(logbook.PersonAdded, uuid.Nil, nil, logbook.Subject{Role: "person", ID: logbook.ID(id)})
		if i%10 == 0 {
			h.operators = append(h.operators, id)
		}
	}
}

func (h *history) machinesLike(ctx context.Context) error {
	h.machines = []uuid.UUID{h.like.machine}
	for i := 1; i < h.cfg.Machines; i++ {
		id := h.id()
		h.machines = append(h.machines, id)
		if _, err := h.tx.Exec(ctx, `INSERT INTO machine SELECT (jsonb_populate_record(m, jsonb_build_object('id', $2::uuid, 'bay', $3::text, 'worker_key', ''))).*
			FROM machine m WHERE id = $1`, h.like.machine, id, fmt.Sprintf("Bay G%d", i)); err != nil {
			return err
		}
		h.entry(logbook.MachineAdded, uuid.Nil, nil, logbook.Subject{Role: logbook.RoleMachine, ID: logbook.ID(id)})
	}
	return nil
}
