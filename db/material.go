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
	"kerfgate/plan/canon"
	"kerfgate/plan/material"
)

// Material is a kind of sheet with its stock.
type Material struct {
	ID uuid.UUID
	material.Material
	Rev     int64
	Retired bool
	Stock   []Stock
}

// MaterialChange is one change of a material as it was made.
type MaterialChange struct {
	Rev     int64
	At      time.Time
	By      string // empty for the list that ships
	Verdict material.Verdict
	Reason  string
}

const (
	maxMaterialName = 80
	mostReason      = 500
	maxTexts        = 20 // hazards, fumes, constituents, sources of one material
	maxText         = 120
)

// fit tidies a material that a person wrote and lists what cannot stand.
func fitMaterial(m material.Material) (material.Material, []checklist.Reason) {
	var no []checklist.Reason
	say := func(what, next string) { no = append(no, checklist.Reason{What: what, Next: next}) }
	m.Name, m.Label, m.ColourClass, m.Reason = strings.TrimSpace(m.Name), strings.TrimSpace(m.Label), strings.TrimSpace(m.ColourClass), strings.TrimSpace(m.Reason)
	if n := utf8.RuneCountInString(m.Name); n == 0 || n > maxMaterialName {
		say(fmt.Sprintf("a material has a name of 1 to %d letters", maxMaterialName), "give one")
	}
	if utf8.RuneCountInString(m.Reason) > mostReason || utf8.RuneCountInString(m.Label) > mostReason {
		say(fmt.Sprintf("label and reason have at most %d letters", mostReason), "say it more shortly")
	}
	if utf8.RuneCountInString(m.ColourClass) > maxText {
		say(fmt.Sprintf("a colour class has at most %d letters", maxText), "say it more shortly")
	}
	m.Hazards, m.Fumes, m.Only, m.Marks = texts(m.Hazards), texts(m.Fumes), texts(m.Only), texts(m.Marks)
	for _, list := range [][]string{m.Hazards, m.Fumes, m.Marks} {
		for _, text := range list {
			if utf8.RuneCountInString(text) > maxText || len(list) > maxTexts {
				say(fmt.Sprintf("hazards, fumes and marks are at most %d of at most %d letters each", maxTexts, maxText), "say it more shortly")
			}
		}
	}
	for _, op := range m.Only {
		switch op {
		case "cut", "mark", "engrave":
		default:
			say(fmt.Sprintf("%.20q is nothing that a beam does", op), "choose of cut, mark and engrave")
		}
	}
	composition := make(material.Composition, 0, len(m.Composition))
	for _, c := range m.Composition {
		if c.Name = strings.TrimSpace(c.Name); c.Name == "" || utf8.RuneCountInString(c.Name) > maxText {
			say(fmt.Sprintf("a constituent has a name of 1 to %d letters", maxText), "name each")
			continue
		}
		for _, e := range c.Elements {
			if !material.IsElement(e) {
				say(fmt.Sprintf("%.10q is no chemical element", e), "write symbols as in the periodic table: C, H, O, Cl")
			}
		}
		composition = append(composition, c)
	}
	m.Composition = composition
	if len(m.Composition) > maxTexts || len(m.Sources) > maxTexts {
		say(fmt.Sprintf("a material has at most %d constituents and %d sources", maxTexts, maxTexts), "leave out what tells nothing")
	}
	sources := make([]material.Source, 0, len(m.Sources))
	for _, s := range m.Sources {
		if s.Name = strings.TrimSpace(s.Name); s.Name == "" || utf8.RuneCountInString(s.Name) > 2*maxText {
			say(fmt.Sprintf("a source has a name of 1 to %d letters", 2*maxText), "name the paper, the data sheet or the person")
			continue
		}
		sources = append(sources, s)
	}
	m.Sources = sources
	return m, no
}

// texts trims a list and leaves out what is empty; it is never nil.
func texts(list []string) []string {
	out := make([]string, 0, len(list))
	for _, t := range list {
		if t = strings.TrimSpace(t); t != "" {
			out = append(out, t)
		}
	}
	return out
}

// judged lists why a material may not be kept so by an officer who gives this reason.
func judged(m material.Material, reason string) []checklist.Reason {
	var no []checklist.Reason
	if m.Listed != 0 {
		if _, ok := material.ListedAs(m.Listed); !ok {
			no = append(no, checklist.Reason{What: fmt.Sprintf("the list of materials has no row %d", m.Listed), Next: "choose one of its rows, or none"})
		}
	}
	switch m.Verdict {
	case material.Allowed, material.WithCare, material.Forbidden:
	default:
		return append(no, checklist.Reason{What: "a material needs a verdict", Next: "choose allowed, with care or forbidden"})
	}
	for _, r := range m.Overrules(reason) {
		no = append(no, checklist.Reason{What: r.What, Next: r.Next})
	}
	return no
}

// AddMaterial adds a kind of sheet; its reason is also the first change's. Errors: *Refused, also for a
// verdict laxer than the shipped list's without the exception that the list names.
func (s *Store) AddMaterial(ctx context.Context, actor Actor, m material.Material) (Material, error) {
	m, no := fitMaterial(m)
	if no = append(no, judged(m, m.Reason)...); len(no) > 0 {
		return Material{}, &Refused{Reasons: no}
	}
	id := newID()
	digest, err := canon.DigestOf(m)
	if err != nil {
		return Material{}, err
	}
	salt := newSalt()
	why := logbook.SaltedDigest(salt, []byte(m.Reason))
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{
				{sql: `INSERT INTO material (id, name, composition, constituents, colour_class, hazards, fumes, verdict, reason, sources, only_operations, marks, listed)
					VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
					args: append([]any{id}, materialArgs(m)...), rows: 1},
				keptChange(id, 1, actor, m.Verdict, m.Reason, salt)},
			entries: []draft{{kind: logbook.MaterialAdded, actor: actor, subjects: []logbook.Subject{about("material", id)},
				body: logbook.Body{"material": digest[:], "verdict": string(m.Verdict), "reason_digest": why[:]}}},
		}, nil
	})
	if err != nil {
		return Material{}, err
	}
	return s.Material(ctx, id)
}

func materialArgs(m material.Material) []any {
	return []any{m.Name, m.Label, m.Composition, m.ColourClass, m.Hazards, m.Fumes, m.Verdict, m.Reason, m.Sources, m.Only, m.Marks, m.Listed}
}

func keptChange(id uuid.UUID, rev int64, actor Actor, verdict material.Verdict, reason string, salt []byte) statement {
	return statement{sql: `INSERT INTO material_change (material, rev, by_person, verdict, reason, salt) VALUES ($1, $2, $3, $4, $5, $6)`,
		args: []any{id, rev, person(actor), verdict, reason, salt}, rows: 1}
}

// ChangeMaterial makes a material what m says, for a reason, which also becomes the verdict's unless m has
// one: another verdict does not keep the reason of the one before. Open sign-offs of its lots are voided
// (I10). The row of the shipped list that it is judged by stays, once it has one. rev is the one that was read, 0 for any. Errors: ErrNotFound, ErrConflict, *Refused.
func (s *Store) ChangeMaterial(ctx context.Context, actor Actor, id uuid.UUID, rev int64, m material.Material, reason string) (Material, error) {
	m, no := fitMaterial(m)
	reason, ok := reasonWithin(reason, mostReason)
	if !ok {
		no = append(no, checklist.Reason{What: "a change needs a reason", Next: fmt.Sprintf("say in 1 to %d letters why, and from where it is known", mostReason)})
	}
	if m.Reason == "" {
		m.Reason = reason
	}
	if len(no) > 0 {
		return Material{}, &Refused{Reasons: no}
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		was, err := s.materialToChange(ctx, id, rev)
		if err != nil {
			return write{}, err
		}
		to := m
		if was.Listed != 0 {
			to.Listed = was.Listed
		}
		if to.Verdict != was.Verdict && to.Reason == was.Reason {
			to.Reason = reason
		}
		if no := judged(to, reason); len(no) > 0 {
			return write{}, &Refused{Reasons: no}
		}
		digest, err := canon.DigestOf(to)
		if err != nil {
			return write{}, err
		}
		salt := newSalt()
		why := logbook.SaltedDigest(salt, []byte(reason))
		w := write{
			statements: []statement{
				{sql: `UPDATE material SET name = $3, composition = $4, constituents = $5, colour_class = $6, hazards = $7, fumes = $8, verdict = $9, reason = $10,
					sources = $11, only_operations = $12, marks = $13, listed = $14, rev = rev + 1 WHERE id = $1 AND rev = $2 AND retired_at IS NULL`,
					args: append([]any{id, was.Rev}, materialArgs(to)...), rows: 1},
				keptChange(id, was.Rev+1, actor, to.Verdict, reason, salt)},
			entries: []draft{{kind: logbook.MaterialChanged, actor: actor, subjects: []logbook.Subject{about("material", id)},
				body: logbook.Body{"material": digest[:], "verdict": string(to.Verdict), "verdict_before": string(was.Verdict), "reason_digest": why[:]}}},
		}
		return w, s.voidMaterial(ctx, &w, actor, id)
	})
	if err != nil {
		return Material{}, err
	}
	return s.Material(ctx, id)
}

func (s *Store) voidMaterial(ctx context.Context, w *write, actor Actor, id uuid.UUID) error {
	return s.voidOpen(ctx, w, actor, "material changed", `r.stock IN (SELECT id FROM stock WHERE material = $1)`, id)
}

// RetireMaterial takes a material off the list: nothing new is planned in it. Errors: ErrNotFound,
// ErrConflict, *Refused while sheets of it are promised to queued runs.
func (s *Store) RetireMaterial(ctx context.Context, actor Actor, id uuid.UUID, rev int64) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		was, err := s.materialToChange(ctx, id, rev)
		if err != nil {
			return write{}, err
		}
		return write{
			statements: []statement{
				{sql: `UPDATE material SET retired_at = now(), rev = rev + 1 WHERE id = $1 AND rev = $2 AND retired_at IS NULL`, args: []any{id, was.Rev}, rows: 1},
				{sql: `SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM stock WHERE material = $1 AND reserved > 0)`, args: []any{id}, rows: 1,
					conflict: refuse("sheets of this material are promised to queued runs", "withdraw those jobs, or let them run, then retire it")}},
			entries: []draft{{kind: logbook.MaterialRetired, actor: actor, subjects: []logbook.Subject{about("material", id)}}},
		}, nil
	})
	return err
}

// materialToChange reads a material that is in use, at the rev that the caller read.
func (s *Store) materialToChange(ctx context.Context, id uuid.UUID, rev int64) (Material, error) {
	m, err := s.Material(ctx, id)
	switch {
	case err != nil:
		return m, err
	case m.Retired:
		return m, ErrNotFound
	case rev != 0 && rev != m.Rev:
		return m, errStaleRev
	}
	return m, nil
}

const materialColumns = `m.id, m.name, m.composition, m.constituents, m.colour_class, m.hazards, m.fumes, m.verdict, m.reason, m.sources, m.only_operations,
	m.marks, m.listed, m.rev, m.retired_at IS NOT NULL`

// into are the places that materialColumns are read into.
func (m *Material) into() []any {
	return []any{&m.ID, &m.Name, &m.Label, &m.Composition, &m.ColourClass, &m.Hazards, &m.Fumes, &m.Verdict, &m.Reason, &m.Sources, &m.Only,
		&m.Marks, &m.Listed, &m.Rev, &m.Retired}
}

func (s *Store) materials(ctx context.Context, where string, args ...any) ([]Material, error) {
	return readAll(ctx, s.pool, func(row pgx.CollectableRow) (m Material, err error) {
		return m, row.Scan(m.into()...)
	}, `SELECT `+materialColumns+` FROM material m WHERE `+where, args...)
}

// Materials lists all materials in use by name with their lots on the shelf: two queries, however many there
// are. A lot that is used up stands at its material alone.
func (s *Store) Materials(ctx context.Context) ([]Material, error) {
	list, err := s.materials(ctx, `m.retired_at IS NULL ORDER BY lower(m.name)`)
	if err != nil {
		return nil, err
	}
	place := make(map[uuid.UUID]int, len(list))
	for i, m := range list {
		place[m.ID] = i
	}
	stock, err := s.stocks(ctx, `count > 0`)
	if err != nil {
		return nil, err
	}
	for _, st := range stock {
		if i, ok := place[st.Material]; ok {
			list[i].Stock = append(list[i].Stock, st)
		}
	}
	return list, nil
}

// Material reads one material with all lots that there ever were of it, also one that was retired. Errors: ErrNotFound.
func (s *Store) Material(ctx context.Context, id uuid.UUID) (Material, error) {
	list, err := s.materials(ctx, `m.id = $1`, id)
	if err != nil {
		return Material{}, err
	}
	if len(list) == 0 {
		return Material{}, ErrNotFound
	}
	list[0].Stock, err = s.stocks(ctx, `material = $1`, id)
	return list[0], err
}

// MaterialChanges lists what became of a material, newest first.
func (s *Store) MaterialChanges(ctx context.Context, id uuid.UUID) ([]MaterialChange, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[MaterialChange], `SELECT c.rev, c.at, coalesce(p.name, ''), c.verdict, c.reason FROM material_change c LEFT JOIN person p ON p.id = c.by_person
		WHERE c.material = $1 ORDER BY c.rev DESC LIMIT 50`, id)
}
