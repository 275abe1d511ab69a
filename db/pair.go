package db

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
)

// Pair is one pair of eyewear in the workshop's register.
type Pair struct {
	ID uuid.UUID
	checklist.Pair
	LookedBy   uuid.UUID
	LookedName string
	Rev        int64
}

// pairsMoved locks the site's row, which a sign-off shares, before anything of the register changes.
var pairsMoved = statement{sql: `UPDATE site SET pairs_rev = pairs_rev + 1`, rows: 1}

// AddPair puts a pair into the register; adding it is the first look at it. Errors: *Refused for a
// label or marking that cannot stand, or a label that another pair has.
func (s *Store) AddPair(ctx context.Context, actor Actor, p checklist.Pair) (Pair, error) {
	if err := p.Validate(); err != nil {
		return Pair{}, refuse(err.Error(), "write the label on the pair, and type the marking as it is printed on frame or filter")
	}
	id := newID()
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{pairsMoved,
				{sql: `INSERT INTO pair (id, label, marking, damaged, looked_by) VALUES ($1, $2, $3, $4, $5)`,
					args: []any{id, p.Label, p.Marking, p.Damaged, actor.Person}, rows: 1}},
			entries: []draft{{kind: logbook.PairAdded, actor: actor, subjects: []logbook.Subject{about("pair", id)},
				body: logbook.Body{"label": p.Label, "marking": p.Marking, "damaged": p.Damaged}}},
		}, nil
	})
	if err != nil {
		return Pair{}, err
	}
	return s.pair(ctx, id)
}

// LookAtPair records in which state somebody found a pair. A damaged one voids every open sign-off
// that was given with it (I10). rev is the one that was read, 0 for any. Errors: ErrNotFound, ErrConflict.
func (s *Store) LookAtPair(ctx context.Context, actor Actor, id uuid.UUID, rev int64, damaged bool) (Pair, error) {
	err := s.changePair(ctx, actor, id, rev, statement{
		sql:  `UPDATE pair SET damaged = $3, looked_at = now(), looked_by = $4, rev = rev + 1 WHERE id = $1 AND rev = $2 AND retired_at IS NULL`,
		args: []any{damaged, actor.Person}, rows: 1}, logbook.PairLookedAt, logbook.Body{"damaged": damaged}, damaged)
	if err != nil {
		return Pair{}, err
	}
	return s.pair(ctx, id)
}

// RetirePair takes a pair out of the register and voids every open sign-off that was given with it
// (I10). rev is the one that was read, 0 for any. Errors: ErrNotFound, ErrConflict.
func (s *Store) RetirePair(ctx context.Context, actor Actor, id uuid.UUID, rev int64) error {
	return s.changePair(ctx, actor, id, rev, statement{sql: `UPDATE pair SET retired_at = now(), rev = rev + 1 WHERE id = $1 AND rev = $2 AND retired_at IS NULL`,
		rows: 1}, logbook.PairRetired, nil, true)
}

// changePair makes one change of a pair; the statement's first two arguments are its id and rev.
func (s *Store) changePair(ctx context.Context, actor Actor, id uuid.UUID, rev int64, change statement, kind logbook.Kind, body logbook.Body, voids bool) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		p, err := s.pair(ctx, id)
		if err != nil {
			return write{}, err
		}
		if rev != 0 && rev != p.Rev {
			return write{}, errStaleRev
		}
		now := change
		now.args = append([]any{id, p.Rev}, change.args...)
		w := write{statements: []statement{pairsMoved, now},
			entries: []draft{{kind: kind, actor: actor, subjects: []logbook.Subject{about("pair", id)}, body: body}}}
		if voids {
			err = s.voidOpen(ctx, &w, actor, "eyewear changed", `(r.id IN (SELECT run FROM answer WHERE item = 'eyewear' AND lower(given ->> 'pair') = lower($1))
				OR EXISTS (SELECT 1 FROM standing_answer h WHERE h.machine = r.machine AND h.operator = r.operator
					AND h.item = 'eyewear' AND lower(h.given ->> 'pair') = lower($1)))`, p.Label)
		}
		return w, err
	})
	return err
}

const selectPair = `SELECT p.id, p.label, p.marking, p.damaged, p.looked_at, p.looked_by, b.name, p.rev FROM pair p JOIN person b ON b.id = p.looked_by
	WHERE p.retired_at IS NULL`

const pairsByLabel = ` ORDER BY lower(p.label)`

func scanPair(row pgx.CollectableRow) (p Pair, err error) {
	return p, row.Scan(&p.ID, &p.Label, &p.Marking, &p.Damaged, &p.LookedAt, &p.LookedBy, &p.LookedName, &p.Rev)
}

func (s *Store) pair(ctx context.Context, id uuid.UUID) (Pair, error) {
	return readOne(ctx, s.pool, scanPair, selectPair+` AND p.id = $1`, id)
}

// Pairs lists the register by label.
func (s *Store) Pairs(ctx context.Context) ([]Pair, error) {
	return readAll(ctx, s.pool, scanPair, selectPair+pairsByLabel)
}

// readRegister reads what the gate judges: the pairs as the checklist sees them.
func readRegister(b *pgx.Batch, list *[]checklist.Pair) {
	b.Queue(selectPair + pairsByLabel).Query(func(rows pgx.Rows) error {
		all, err := pgx.CollectRows(rows, scanPair)
		*list = make([]checklist.Pair, len(all))
		for i, p := range all {
			(*list)[i] = p.Pair
		}
		return err
	})
}
