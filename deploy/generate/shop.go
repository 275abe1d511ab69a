package generate

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/logbook"
	"kerfgate/deploy/demo"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// colours are those in which each of the demo's sheets lies on the shelf: a kind of its own each.
var colours = []string{"natural", "fern", "moss", "loam", "slate"}

// kind is what is worked, with the lot of it that is in use.
type kind struct {
	db.Material
	base   string // the demo's name for it
	digest canon.Digest
	sheet  material.Stock
	lot    *lot
}

// lot is a lot on the shelf.
type lot struct {
	id              uuid.UUID
	kind            *kind
	stock           material.Stock
	bound           canon.Digest
	count, reserved int64
	rev             int64
}

// bench is a machine with what can be worked on it and who may.
type bench struct {
	db.Machine
	works     []*work
	work      func() int // which of them, some far more often than others
	operators []uuid.UUID
	by        map[uuid.UUID]uuid.UUID // authorisations by operator
	station   uuid.UUID
	upkeep    []*upkeep
	ran       int // runs that are over
}

// work is what a machine can do to a kind of sheet.
type work struct {
	on        *bench
	tool      machine.Tool
	kind      *kind
	operation plan.Operation
	settings  []material.Setting
	checklist checklist.Checklist
	digest    canon.Digest // of the checklist
	made      map[int]*plan.Plan
}

// furnish gives the shop its materials, its machines and what is proven on them, through the store. The
// machines are the demo's, each of which was calibrated by itself; the sheets the demo's in some colours.
func (h *history) furnish(ctx context.Context) error {
	for _, s := range demo.Shelf() {
		for _, colour := range colours {
			m := s.Material
			m.Name = s.Material.Name + ", " + colour
			added, err := h.cfg.Store.AddMaterial(ctx, h.cfg.Admin, m)
			if err != nil {
				return fmt.Errorf("%s: %w", m.Name, err)
			}
			k := &kind{Material: added, base: s.Material.Name, sheet: s.Stock}
			k.sheet.Colour = colour
			if k.digest, err = canon.DigestOf(added.Material); err != nil {
				return err
			}
			h.kinds = append(h.kinds, k)
		}
	}
	like := demo.Machines()
	for i := range h.cfg.Machines {
		if err := h.place(ctx, i, like[i%len(like)]); err != nil {
			return err
		}
	}
	return nil
}

// place adds a machine and proves settings on it.
func (h *history) place(ctx context.Context, i int, like demo.Machine) error {
	key, err := nkeys.CreateUser()
	if err != nil {
		return err
	}
	public, err := key.PublicKey()
	if err != nil {
		return err
	}
	p := like.Profile
	p.CornerToleranceUM += int64(i)
	if p.Air.MeasuredFlowM3PerH > 0 {
		p.Air.MeasuredOn = h.cfg.Now.Format(time.DateOnly)
	}
	b := &bench{by: map[uuid.UUID]uuid.UUID{}}
	if b.Machine, err = h.cfg.Store.AddMachine(ctx, h.cfg.Admin, db.NewMachine{Name: like.Name, Bay: fmt.Sprintf("Bay G%d", i+1), Profile: p, Tool: like.Tool, WorkerKey: public}); err != nil {
		return fmt.Errorf("%s: %w", like.Name, err)
	}
	h.machines = append(h.machines, b)
	for _, tool := range p.Tools {
		for _, k := range h.kinds {
			w := &work{on: b, tool: tool, kind: k, settings: demo.Settings(like, tool.Name, k.base), made: map[int]*plan.Plan{}}
			for _, s := range w.settings {
				if _, err := h.cfg.Store.ProveSetting(ctx, h.cfg.Admin, db.Setting{Machine: b.ID, Tool: tool.Name, Material: k.ID, ThicknessUM: k.sheet.ThicknessUM, Setting: s}); err != nil {
					return fmt.Errorf("%s on %s: %w", k.Name, b.Bay, err)
				}
				// A sheet is cut where that is proven, and otherwise marked or drawn on.
				if op := plan.Operation(s.Operation); w.operation == "" || op == plan.Cut {
					w.operation = op
				}
			}
			if w.operation == "" {
				continue
			}
			f := checklist.Facts{Profile: p, Tool: tool, Material: k.Material.Material, Stock: k.sheet}
			w.checklist = b.Checklist.ForRun(p, tool).ForMaterial(tool, f.Material).ForFacts(f)
			if w.digest, err = canon.DigestOf(w.checklist); err != nil {
				return err
			}
			b.works = append(b.works, w)
		}
	}
	return nil
}

// stock opens another lot of a kind.
func (h *history) stock(k *kind, atLeast int64) {
	h.lots++
	l := &lot{id: h.id(), kind: k, stock: k.sheet, count: max(200, atLeast), rev: 1}
	l.stock.Lot = fmt.Sprintf("%.1s%d", k.sheet.Lot, 1000+h.lots)
	sheet := geom.Pt(l.stock.SheetWidthUM, l.stock.SheetHeightUM)
	var err error
	if l.bound, err = canon.DigestOf(checklist.StockBound{Stock: l.id, Material: k.ID, Lot: l.stock.Lot, ThicknessUM: l.stock.ThicknessUM,
		ToleranceUM: l.stock.ToleranceUM, GrammageGPerM2: l.stock.GrammageGPerM2, Sheet: sheet}); err != nil {
		h.err = err
	}
	if k.lot != nil {
		h.shelve(k.lot)
	}
	k.lot = l
	h.entry(logbook.StockAdded, h.cfg.Admin.Person, logbook.Body{"lot": l.stock.Lot, "thickness_um": l.stock.ThicknessUM, "count": l.count},
		about("material", k.ID), about("stock", l.id))
	h.shelf = append(h.shelf, l)
}

// shelve says that a lot was counted: its rest is too small for a job and is thrown away.
func (h *history) shelve(l *lot) {
	before := l.count
	l.count = l.reserved
	l.rev++
	h.rows.add("stock_change", l.id, l.rev, h.now, h.cfg.Admin.Person, "count", l.count, "the rest is too small", make([]byte, 16))
	h.entry(logbook.StockChanged, h.cfg.Admin.Person, logbook.Body{"lot": l.stock.Lot, "count": l.count, "count_before": before},
		about("material", l.kind.ID), about("stock", l.id))
}

// keepShelf writes the lots as they lie at the end.
func (h *history) keepShelf() {
	for _, l := range h.shelf {
		s := l.stock
		h.rows.add("stock", l.id, l.kind.ID, s.Lot, s.Colour, s.ThicknessUM, s.ToleranceUM, s.GrammageGPerM2, s.SheetWidthUM, s.SheetHeightUM, l.count, l.reserved, l.rev)
	}
}

// answers are what an operator gives for an item: what is asked for, field by field.
func answers(item checklist.Item, l *lot, at time.Time) checklist.Values {
	given := checklist.Values{}
	for _, f := range item.Fields {
		switch f.Kind {
		case checklist.FieldYes:
			given[f.Key] = "yes"
		case checklist.FieldMonth:
			given[f.Key] = at.Format("2006-01")
		case checklist.FieldNumber:
			given[f.Key] = "118"
		case checklist.FieldText:
			given[f.Key] = l.stock.Lot
		case checklist.FieldChoice:
			if len(f.Choices) > 0 { // where there are none they are the workshop's own
				given[f.Key] = f.Choices[0]
			}
		}
	}
	return given
}
