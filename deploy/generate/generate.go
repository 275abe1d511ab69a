// Package generate gives a site years of history, so that lists can be measured against them: people,
// machines, drawings with the plans that the planner makes of them, jobs, runs with all that belongs to
// them, and a logbook with a real tree whose check passes. What a shop has, materials, machines and proven
// settings, goes in through the store; its years go in through COPY, past the server: for test databases
// alone.
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

	"kerfgate/db"
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
	Store *db.Store
	Admin db.Actor // who furnishes the shop
	// Conn is signed in as the superuser and used by nobody else.
	Conn *pgx.Conn
	// The site's signers.
	PermitSigner, LogSigner note.Signer
	// Now is when the history ends.
	Now  time.Time
	Seed uint64
}

// Fill adds the history to a site that nobody else uses meanwhile. The years are one transaction.
func Fill(ctx context.Context, cfg Config) (err error) {
	if cfg.Members < 1 || cfg.Machines < 1 || cfg.Runs < 1 {
		return errors.New("generate: members, machines and runs are needed")
	}
	h := &history{cfg: cfg, rng: rand.New(rand.NewPCG(cfg.Seed, 1)), now: cfg.Now.Add(-cfg.span())}
	if err := h.furnish(ctx); err != nil {
		return fmt.Errorf("generate: %w", err)
	}
	if h.tx, err = cfg.Conn.Begin(ctx); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, h.tx.Rollback(context.WithoutCancel(ctx)))
		}
	}()
	// Foreign keys are not looked up for each of millions of rows; what guards the logbook stays on. A run
	// is otherwise not let in but as proposed.
	if _, err := h.tx.Exec(ctx, `SET LOCAL session_replication_role = replica; ALTER TABLE run DISABLE TRIGGER run_begin`); err != nil {
		return err
	}
	if err := h.begin(ctx); err != nil {
		return fmt.Errorf("generate: %w", err)
	}
	if err := h.live(ctx); err != nil {
		return fmt.Errorf("generate: %w", err)
	}
	if _, err := h.tx.Exec(ctx, `ALTER TABLE run ENABLE ALWAYS TRIGGER run_begin`); err != nil {
		return err
	}
	return h.tx.Commit(ctx)
}

// runsAYear is how much a machine of a shop runs: eight a day on three hundred days.
const runsAYear = 2_400

// span is how long the history is.
func (c Config) span() time.Duration {
	years := float64(c.Runs) / float64(runsAYear*c.Machines)
	return max(time.Duration(years*365*24*float64(time.Hour)), 24*time.Hour)
}

// A shop is open on six days a week from nine to nine (UTC).
const (
	opens  = 9
	closes = 21
)

// tick lets time pass in which the shop is open.
func (h *history) tick(d time.Duration) {
	h.now = h.now.Add(d)
	for h.now.Hour() < opens || h.now.Hour() >= closes || h.now.Weekday() == time.Sunday {
		next := time.Date(h.now.Year(), h.now.Month(), h.now.Day(), opens, 0, 0, 0, time.UTC)
		if !next.After(h.now) {
			next = next.AddDate(0, 0, 1)
		}
		h.now = next
	}
}

// begin reads the growing edge of the logbook, and adds people and what was set up once.
func (h *history) begin(ctx context.Context) error {
	var size int64
	var frontier, epoch, logEpoch []byte
	var site string
	if err := h.tx.QueryRow(ctx, `SELECT size, frontier, s.name, s.epoch, s.log_epoch, nextval('run_number') FROM log_head CROSS JOIN site s FOR UPDATE OF log_head`).
		Scan(&size, &frontier, &site, &epoch, &logEpoch, &h.number); err != nil {
		return err
	}
	var err error
	if h.tree, err = logbook.DecodeTree(size, frontier); err != nil {
		return err
	}
	h.member = h.spread(h.cfg.Members)
	for _, m := range h.machines {
		m.work = h.spread(len(m.works))
	}
	h.epoch, h.origin = [16]byte(epoch), logbook.Origin(site, [16]byte(logEpoch))
	h.people()
	h.setUp()
	return h.err
}

// people adds members. Every tenth operates some of the machines.
func (h *history) people() {
	for i := range h.cfg.Members {
		id := h.id()
		h.members = append(h.members, &member{id: id})
		h.rows.add("person", id, "generated-"+id.String(), fmt.Sprintf("Generated member %d", i), "member", "none", make([]byte, 16), h.now)
		h.entry(logbook.PersonAdded, uuid.Nil, nil, about("person", id))
		if i%10 == 0 {
			h.operators = append(h.operators, id)
		}
	}
	for i, m := range h.machines {
		// As many as the shop has, at most five a machine; each machine has one.
		for k := range min(5, len(h.operators)) {
			h.authorise(h.operators[(i+k*7)%len(h.operators)], m)
		}
	}
}

// authorise lets somebody operate a machine: once at the beginning, which has run out, and again.
func (h *history) authorise(person uuid.UUID, m *bench) {
	if m.by[person] != uuid.Nil {
		return
	}
	for _, until := range []time.Time{h.now.Add(h.cfg.span() / 2), h.cfg.Now.AddDate(1, 0, 0)} {
		id := h.id()
		m.by[person] = id
		h.rows.add("authorisation", id, person, m.ID, h.now, until, h.cfg.Admin.Person, "supervised run in the garden's workshop", 6, []string{}, h.cfg.Now)
		h.entry(logbook.AuthorisationGranted, h.cfg.Admin.Person, logbook.Body{"until": until.UTC().Format(time.RFC3339), "idle_months": int64(6), "groups": ""},
			about("person", person), about(logbook.RoleMachine, m.ID), about("authorisation", id))
	}
	m.operators = append(m.operators, person)
}
