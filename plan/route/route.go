// Package route orders what a machine does so that little time goes into travel with the tool off.
//
// Closed lines are begun and ended at one of their vertices, open lines at either end; what lies
// inside comes before what holds it, and one class of items follows another. The order is found as
// a symmetric travelling-salesman path: a start from greedy links and nearest next, then 3-opt with
// neighbour lists, then kicks that are undone where they do not help. All costs are whole numbers
// and chance is seeded, so the same input gives the same order on every target.
package route

import (
	"fmt"

	"kerfgate/plan/geom"
)

// Item is one thing done without lifting the tool.
type Item struct {
	// Entries are, for a closed item, the points at which it may be begun, in the order in which
	// they lie on it (one point for a hole that is drilled); for an open item its two ends.
	Entries []geom.Point
	Closed  bool
	Class   int // items of a lower class come first
}

// Visit is one item in running order, begun at Entries[Entry]; an open item with Entry 1 is done
// backwards.
type Visit struct {
	Item  int
	Entry int
}

// Options say what is to be optimised and for how long.
type Options struct {
	Start    geom.Point // where the carriage stands
	Anywhere bool       // the way to the first item costs nothing, wherever that is
	Return   bool       // the way back to Start counts

	// Cost of a straight way, in whole units of the caller's choice, from |Δx| and |Δy| in µm. It
	// must be 0 for no way at all and never fall when one of them grows, and is asked from several
	// goroutines at once. See Time.
	Cost func(dx, dy int64) int64

	Steps int    // kicks after the local search; two an item gain most of what kicks can gain (BenchmarkGaps)
	Seed  uint64 // of the kicks

	// Two visits in turn whose items begin or end less than SpreadUM apart heat the same spot. They
	// are pulled apart as long as that costs no more than SpreadPermille of the travel.
	SpreadPermille int64
	SpreadUM       int64
}

// Order is the running order of all items. parents[i] is the item that holds item i, and −1 for
// none; nil means that nothing holds anything. A holder must not be of a lower class than what it
// holds.
func Order(items []Item, parents []int, o Options) ([]Visit, error) {
	if err := checkInput(items, parents, o); err != nil {
		return nil, err
	}
	r := newRouter(items, parents, o)
	r.begin()
	r.settle()
	r.kick(o.Steps, o.Seed)
	if o.SpreadPermille > 0 && o.SpreadUM > 0 {
		r.spread(o.SpreadPermille, o.SpreadUM)
	}
	visits := r.visits()
	if err := Check(items, parents, visits); err != nil {
		return nil, fmt.Errorf("route: %w", err)
	}
	return visits, nil
}

// checkInput refuses what has no order.
func checkInput(items []Item, parents []int, o Options) error {
	if o.Cost == nil {
		return fmt.Errorf("route: no cost function: use Time with the machine's limits")
	}
	if parents != nil && len(parents) != len(items) {
		return fmt.Errorf("route: %d parents for %d items: give one each", len(parents), len(items))
	}
	for i, it := range items {
		if it.Closed && len(it.Entries) == 0 || !it.Closed && len(it.Entries) != 2 {
			return fmt.Errorf("route: item %d has %d entries: a closed one needs at least one, an open one its two ends", i, len(it.Entries))
		}
	}
	waiting := make([]int, len(items))
	for i, p := range parents {
		if p < -1 || p >= len(items) {
			return fmt.Errorf("route: item %d lies in item %d, which is not there", i, p)
		}
		if p >= 0 {
			if items[p].Class < items[i].Class {
				return fmt.Errorf("route: item %d lies in item %d of an earlier class: put the holder into the same or a later one", i, p)
			}
			waiting[p]++
		}
	}
	return checkLoops(parents, waiting)
}

// checkLoops takes away items that hold nothing until none is left; waiting counts what each holds.
func checkLoops(parents, waiting []int) error {
	var free []int
	for i, n := range waiting {
		if n == 0 {
			free = append(free, i)
		}
	}
	taken := 0
	for len(free) > 0 {
		i := free[len(free)-1]
		free = free[:len(free)-1]
		taken++
		if parents == nil || parents[i] < 0 {
			continue
		}
		if waiting[parents[i]]--; waiting[parents[i]] == 0 {
			free = append(free, parents[i])
		}
	}
	if taken < len(waiting) {
		return fmt.Errorf("route: %d items hold one another in a ring: no order exists", len(waiting)-taken)
	}
	return nil
}

// Check says what is wrong with a running order: a missing or repeated item, an entry that is not
// there, a class or a holder that comes too early.
func Check(items []Item, parents []int, visits []Visit) error {
	if len(visits) != len(items) {
		return fmt.Errorf("%d visits for %d items", len(visits), len(items))
	}
	done := make([]bool, len(items))
	for k, v := range visits {
		switch {
		case v.Item < 0 || v.Item >= len(items):
			return fmt.Errorf("visit %d is of item %d, which is not there", k, v.Item)
		case done[v.Item]:
			return fmt.Errorf("item %d is visited twice", v.Item)
		case v.Entry < 0 || v.Entry >= len(items[v.Item].Entries):
			return fmt.Errorf("item %d has no entry %d", v.Item, v.Entry)
		case k > 0 && items[visits[k-1].Item].Class > items[v.Item].Class:
			return fmt.Errorf("item %d of class %d comes too late", v.Item, items[v.Item].Class)
		}
		done[v.Item] = true
		if parents != nil && parents[v.Item] >= 0 && done[parents[v.Item]] {
			return fmt.Errorf("item %d comes after item %d, which holds it", v.Item, parents[v.Item])
		}
	}
	return nil
}

// Travel is the sum of the costs of all ways between the visits, in the unit of Options.Cost.
func Travel(items []Item, visits []Visit, o Options) int64 {
	if len(visits) == 0 {
		return 0
	}
	var sum int64
	at := o.Start
	for k, v := range visits {
		e := items[v.Item].Entries
		if k > 0 || !o.Anywhere {
			sum += between(o.Cost, at, e[v.Entry])
		}
		at = e[v.Entry]
		if !items[v.Item].Closed {
			at = e[1-v.Entry]
		}
	}
	if o.Return {
		sum += between(o.Cost, at, o.Start)
	}
	return sum
}
