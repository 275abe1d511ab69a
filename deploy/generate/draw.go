package generate

import (
	"fmt"
	"slices"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/logbook"
	"kerfgate/deploy/demo"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/material"
)

// sizes is in how many sizes drawings come; what is drawn on each is its own.
const sizes = 24

// drawn is a drawing that somebody handed in.
type drawn struct {
	id     uuid.UUID
	digest canon.Digest
	size   int
	title  string
	plans  map[planned]canon.Digest
}

// planned is for what a drawing was planned.
type planned struct {
	work *work
	lot  *lot
}

// svg is a rectangle with a hole, in millimetres.
func svg(size int, title string) []byte {
	w, h := 40+5*size, 30+4*size
	return fmt.Appendf(nil, `<svg xmlns="http://www.w3.org/2000/svg" width="%dmm" height="%dmm" viewBox="0 0 %d %d"><title>%s</title>
<g id="outline" fill="none" stroke="#000000"><rect x="2" y="2" width="%d" height="%d"/><circle cx="12" cy="12" r="5"/></g></svg>`, w, h, w, h, title, w-4, h-4)
}

// draw hands in a drawing of a member.
func (h *history) draw(m *member) *drawn {
	h.drawings++
	of := demo.Drawings()
	d := &drawn{id: h.id(), size: h.rng.IntN(sizes), title: of[h.rng.IntN(len(of))].Title, plans: map[planned]canon.Digest{}}
	data := svg(d.size, fmt.Sprintf("%s %d", d.title, h.drawings))
	d.digest = canon.Sum(data)
	h.blob(d.digest, data)
	h.rows.add("drawing", d.id, d.digest[:], m.id, fmt.Sprintf("drawing-%d.svg", h.drawings), make([]byte, 16), h.now)
	h.entry(logbook.DrawingReceived, m.id, logbook.Body{"drawing": d.digest[:], "size": int64(len(data)), "name_digest": d.digest[:]}, about("drawing", d.id))
	// The newest few are what members come back to.
	m.drawings = append(m.drawings, d)
	m.drawings = m.drawings[max(0, len(m.drawings)-6):]
	return d
}

func (h *history) blob(digest canon.Digest, data []byte) {
	h.rows.add("blob", digest[:], len(data))
	h.rows.add("blob_chunk", digest[:], 0, data)
}

// planFor is what the planner makes of a drawing on a sheet of a lot. It plans once for each machine, kind and
// size: which file it was and which lot is written into the plan, and changes no stroke.
func (h *history) planFor(m *member, d *drawn, w *work, l *lot) canon.Digest {
	key := planned{w, l}
	if digest, ok := d.plans[key]; ok {
		return digest
	}
	made, ok := w.made[d.size]
	if !ok {
		var err error
		if made, err = plan.Make(plan.Request{Drawing: svg(d.size, d.title), Default: w.operation, Tool: w.tool.Name, Profile: w.on.Profile,
			Material: w.kind.Material.Material, Stock: l.stock, Settings: w.settings}); err != nil {
			h.err = fmt.Errorf("%s on %s: %w", w.kind.Name, w.on.Bay, err)
			return canon.Digest{}
		}
		w.made[d.size] = made
	}
	own := *made
	own.Drawing, own.Stock = d.digest, l.stock.Lot
	data, digest, err := own.Encode()
	if err != nil {
		h.err = err
		return digest
	}
	d.plans[key] = digest
	used := []material.Setting{}
	for _, s := range w.settings {
		if slices.ContainsFunc(own.Strokes, func(x plan.Stroke) bool { return string(x.Operation) == s.Operation }) {
			used = append(used, s)
		}
	}
	choice := db.PlanChoice{Drawing: d.id, Machine: w.on.ID, Tool: w.tool.Name, Material: w.kind.ID, Stock: l.id, Default: w.operation}
	h.blob(digest, data)
	h.rows.add("plan", digest[:], m.id, d.id, w.on.ID, w.tool.Name, w.kind.ID, l.id, choice, w.on.ProfileDigest[:], own.Numbers.TotalMS, h.now, h.now,
		own.Numbers.HotSpots, own.Numbers.CutUM, own.Numbers.MarkUM, own.Numbers.EngraveUM, used, own.Extents.Width(), own.Extents.Height())
	h.entry(logbook.PlanMade, m.id, logbook.Body{"plan": digest[:], "drawing": d.digest[:], "planner": own.Planner},
		about("drawing", d.id), about(logbook.RoleMachine, w.on.ID))
	return digest
}
