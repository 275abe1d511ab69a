package db

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/material"
)

// Stock is one lot on the shelf.
type Stock struct {
	ID       uuid.UUID
	Material uuid.UUID
	material.Stock
	Count    int64 // sheets on the shelf
	Reserved int64 // of them promised to queued runs
	Rev      int64
}

// StockChange is what somebody did to a lot besides running it.
type StockChange struct {
	Stock   uuid.UUID
	At      time.Time
	By      string
	What    string // count or flame test
	Count   *int64 // sheets afterwards
	Halogen *bool  // what the flame test showed
	Reason  string
}

// Bounds of a lot: no sheet of this work is thicker, larger or more than that.
const (
	mostThicknessUM = 100_000
	mostSheetUM     = 5_000_000
	mostGrammage    = 200_000
	mostSheets      = 100_000
)

// unfitStock lists what of a lot cannot stand.
func unfitStock(st material.Stock, count int64) []checklist.Reason {
	var no []checklist.Reason
	say := func(what, next string) { no = append(no, checklist.Reason{What: what, Next: next}) }
	if n := utf8.RuneCountInString(st.Lot); n == 0 || n > 40 {
		say("a lot has a name of 1 to 40 letters, which is written on its sheets", "give one")
	}
	if n := utf8.RuneCountInString(st.Colour); n == 0 || n > 40 {
		say("a lot has a colour of 1 to 40 letters", "name it, or write natural")
	}
	if st.ThicknessUM < 1 || st.ThicknessUM > mostThicknessUM || st.ToleranceUM < 0 || st.ToleranceUM >= st.ThicknessUM {
		say("thickness or tolerance cannot be", "measure the sheet in mm; the tolerance is less than the thickness")
	}
	if st.GrammageGPerM2 < 0 || st.GrammageGPerM2 > mostGrammage {
		say("the grammage cannot be", "read it off the label in g/m², or leave it out")
	} else if st.ByGrammage() && st.GrammageGPerM2 == 0 {
		say("a sheet under 0.5 mm is told by its grammage, and none is given", "read it off the label in g/m²")
	}
	if st.SheetWidthUM < 1000 || st.SheetWidthUM > mostSheetUM || st.SheetHeightUM < 1000 || st.SheetHeightUM > mostSheetUM {
		say("the sheet's size cannot be", "measure width and height in mm")
	}
	if count < 0 || count > mostSheets {
		say(fmt.Sprintf("a lot has 0 to %d sheets", mostSheets), "count them")
	}
	return no
}

// AddStock puts a lot on the shelf. Errors: ErrNotFound for a material that is not in use, *Refused.
func (s *Store) AddStock(ctx context.Context, actor Actor, of uuid.UUID, st material.Stock, count int64) (Stock, error) {
	st.Lot, st.Colour = strings.TrimSpace(st.Lot), strings.TrimSpace(st.Colour)
	if no := unfitStock(st, count); len(no) > 0 {
		return Stock{}, &Refused{Reasons: no}
	}
	st.Halogen = false
	out := Stock{ID: newID(), Material: of, Stock: st, Count: count, Rev: 1}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO stock (id, material, lot, colour, thickness_um, tolerance_um, grammage_g_per_m2,
					sheet_width_um, sheet_height_um, count) SELECT $1, m.id, $3, $4, $5, $6, $7, $8, $9, $10 FROM material m WHERE m.id = $2 AND m.retired_at IS NULL`,
				args: []any{out.ID, of, st.Lot, st.Colour, st.ThicknessUM, st.ToleranceUM, st.GrammageGPerM2,
					st.SheetWidthUM, st.SheetHeightUM, count}, rows: 1, conflict: ErrNotFound}},
			entries: []draft{{kind: logbook.StockAdded, actor: actor, subjects: []logbook.Subject{about("material", of), about("stock", out.ID)},
				body: logbook.Body{"lot": st.Lot, "thickness_um": st.ThicknessUM, "count": count}}},
		}, nil
	})
	return out, err
}

// CountStock says how many sheets of a lot lie on the shelf, for a reason: counted anew, bought, thrown
// away. rev is the one that was read, 0 for any. Errors: ErrNotFound, ErrConflict, *Refused for fewer than
// are promised to queued runs.
func (s *Store) CountStock(ctx context.Context, actor Actor, id uuid.UUID, rev, count int64, reason string) (Stock, error) {
	if count < 0 || count > mostSheets {
		return Stock{}, refuse(fmt.Sprintf("a lot has 0 to %d sheets", mostSheets), "count them")
	}
	return s.changeStock(ctx, actor, id, rev, reason, func(was Stock, w *write) error {
		if count < was.Reserved {
			return refuse(fmt.Sprintf("%d sheets of lot %s are promised to queued runs", was.Reserved, was.Lot), "withdraw jobs until the rest is enough, then enter the count")
		}
		w.statements = append(w.statements, statement{sql: `UPDATE stock SET count = $3, rev = rev + 1 WHERE id = $1 AND rev = $2`, args: []any{id, was.Rev, count}, rows: 1})
		w.entries = []draft{{kind: logbook.StockChanged, actor: actor, subjects: []logbook.Subject{about("material", was.Material), about("stock", id)},
			body: logbook.Body{"lot": was.Lot, "count": count, "count_before": was.Count}}}
		return nil
	}, `count`, &count, nil)
}

// TestStock records what a copper-wire test of a lot showed. A halogen forbids the lot under every beam and
// voids its open sign-offs; no test ever takes that back, since a negative one proves nothing. Errors:
// ErrNotFound, *Refused.
func (s *Store) TestStock(ctx context.Context, actor Actor, id uuid.UUID, halogen bool, reason string) (Stock, error) {
	return s.changeStock(ctx, actor, id, 0, reason, func(was Stock, w *write) error {
		w.statements = append(w.statements, statement{sql: `UPDATE stock SET halogen = halogen OR $3, rev = rev + 1 WHERE id = $1 AND rev = $2`, args: []any{id, was.Rev, halogen}, rows: 1})
		w.entries = []draft{{kind: logbook.StockTested, actor: actor, subjects: []logbook.Subject{about("material", was.Material), about("stock", id)},
			body: logbook.Body{"lot": was.Lot, "halogen": halogen}}}
		if halogen {
			return s.voidOpen(ctx, w, actor, "stock changed", `r.stock = $1`, id)
		}
		return nil
	}, `flame test`, nil, &halogen)
}

func (s *Store) changeStock(ctx context.Context, actor Actor, id uuid.UUID, rev int64, reason string, decide func(was Stock, w *write) error,
	what string, count *int64, halogen *bool) (Stock, error) {
	reason, ok := reasonWithin(reason, mostReason)
	if !ok {
		return Stock{}, refuse("a change needs a reason", fmt.Sprintf("say in 1 to %d letters what was seen or done", mostReason))
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		was, err := s.stock(ctx, id)
		if err != nil {
			return write{}, err
		}
		if rev != 0 && rev != was.Rev {
			return write{}, errStaleRev
		}
		var w write
		if err := decide(was, &w); err != nil {
			return write{}, err
		}
		salt := newSalt()
		why := logbook.SaltedDigest(salt, []byte(reason))
		w.entries[0].body["reason_digest"] = why[:]
		w.statements = append(w.statements, statement{sql: `INSERT INTO stock_change (stock, rev, by_person, what, count, halogen, reason, salt) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			args: []any{id, was.Rev + 1, actor.Person, what, count, halogen, reason, salt}, rows: 1})
		return w, nil
	})
	if err != nil {
		return Stock{}, err
	}
	return s.stock(ctx, id)
}

// StockChanges lists what was done to the lots of a material, newest first.
func (s *Store) StockChanges(ctx context.Context, of uuid.UUID) ([]StockChange, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[StockChange], `SELECT c.stock, c.at, p.name, c.what, c.count, c.halogen, c.reason FROM stock_change c JOIN person p ON p.id = c.by_person
		WHERE c.stock IN (SELECT id FROM stock WHERE material = $1) ORDER BY c.at DESC LIMIT 50`, of)
}

const selectStock = `SELECT id, material, lot, colour, thickness_um, tolerance_um, grammage_g_per_m2, sheet_width_um, sheet_height_um, halogen,
	count, reserved, rev FROM stock`

func (st *Stock) into() []any {
	return []any{&st.ID, &st.Material, &st.Lot, &st.Colour, &st.ThicknessUM, &st.ToleranceUM, &st.GrammageGPerM2,
		&st.SheetWidthUM, &st.SheetHeightUM, &st.Halogen, &st.Count, &st.Reserved, &st.Rev}
}

func (s *Store) stocks(ctx context.Context, where string, args ...any) ([]Stock, error) {
	return readAll(ctx, s.pool, func(row pgx.CollectableRow) (st Stock, err error) { return st, row.Scan(st.into()...) }, selectStock+` WHERE `+where+` ORDER BY lot`, args...)
}

func (s *Store) stock(ctx context.Context, id uuid.UUID) (st Stock, err error) {
	return st, meaning(s.pool.QueryRow(ctx, selectStock+` WHERE id = $1`, id).Scan(st.into()...))
}

// stockWithMaterial reads a lot and what it is made of.
func (s *Store) stockWithMaterial(ctx context.Context, id uuid.UUID) (st Stock, m Material, err error) {
	var b pgx.Batch
	readStock(&b, id, &st, &m)
	return st, m, s.read(ctx, &b)
}

func readStock(b *pgx.Batch, id uuid.UUID, st *Stock, m *Material) {
	b.Queue(`SELECT s.id, s.material, s.lot, s.colour, s.thickness_um, s.tolerance_um, s.grammage_g_per_m2, s.sheet_width_um,
			s.sheet_height_um, s.halogen, s.count, s.reserved, s.rev, `+materialColumns+`
		FROM stock s JOIN material m ON m.id = s.material WHERE s.id = $1`, id).QueryRow(func(row pgx.Row) error {
		return meaning(row.Scan(append(st.into(), m.into()...)...))
	})
}
