package plan

import (
	"fmt"
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
	"kerfgate/plan/route"
)

// runningOrder is the order of operations: what makes the sheet loose comes last.
var runningOrder = []Operation{Engrave, Mark, Draw, Cut}

// Bounds of ordering: points at which closed lines may be begun, of each and of all; tries for a
// shorter way, in all.
const (
	mostEntries    = 64
	mostAllEntries = 2_000_000
	mostTries      = 1_000_000
	usualTries     = 200_000 // where nobody asked for more
	usualEffort    = 10
)

// entryUM is how far apart closed lines may be begun along a long edge. With 5 mm the demo drawings take
// 3 % less travel than with vertices alone, those of long edges up to a fifth; with 2 mm, 0.4 % more.
const entryUM = 5_000

// apartUM is how near two cuts heat the same spot, where heat is to be spread: twice the disc of 2 mm
// in which package dose looks for hot spots.
const apartUM = 4_000

// ordered gives the tasks in running order, closed ones begun where the way is short. parents[i] is
// the task that must come after task i, −1 for none.
func (m *maker) ordered(all []task, parents []int) []task {
	items := make([]route.Item, len(all))
	entries := make([][]route.Entry, len(all)) // of closed lines
	each := min(mostEntries, max(1, mostAllEntries/max(1, len(all))))
	ends := make([]geom.Point, 0, 2*len(all)) // of open lines
	for i, t := range all {
		items[i].Class = slices.Index(runningOrder, t.op)
		if !t.closed {
			first, last := t.ends()
			ends = append(ends, first, last)
			items[i].Entries = ends[len(ends)-2:]
			continue
		}
		items[i].Closed = true
		most := each
		if m.fixedStart(t) {
			most = 1
		}
		entries[i] = route.Entries(t.points, most, entryUM)
		items[i].Entries = make([]geom.Point, len(entries[i]))
		for k, e := range entries[i] {
			items[i].Entries[k] = e.At
		}
	}
	c := m.req.Choices
	tries := min(usualTries, usualEffort*len(items))
	switch {
	case c.Effort > 0:
		tries = min(mostTries, int(c.Effort)*len(items))
	case c.Effort == NoEffort:
		tries = 0
	}
	visits, err := route.Order(items, parents, route.Options{
		Cost: route.Time(motion.LimitsOf(m.req.Profile)), Steps: tries, Seed: uint64(c.Seed),
		SpreadPermille: c.SpreadPermille, SpreadUM: apartUM,
	})
	if err != nil {
		m.refuse(Reason{What: fmt.Sprintf("no order was found in which everything can be done: %v", err), Next: "report it with the drawing", Field: "drawing"})
		return nil
	}
	out := make([]task, len(visits))
	for k, v := range visits {
		t := all[v.Item]
		switch {
		case t.closed:
			t.points = entries[v.Item][v.Entry].Begin(t.points)
		case v.Entry == 1:
			t = t.backwards()
		}
		out[k] = t
	}
	return out
}

// fixedStart says whether a closed line begins where it begins: a run-in will say where.
func (m *maker) fixedStart(t task) bool { return t.op == Cut && m.approach().way > 0 }
