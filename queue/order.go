package queue

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"
)

// Place is where a run stands in its machine's queue, and why.
type Place struct {
	Waiting
	Why    Why
	Reason string // in plain words; says nothing about other members by name
	// Start, End and Slowest are reckoned as if an operator went on without a break: End as half of the runs
	// here went, Slowest as nine of ten did. All are nil while nothing can start.
	Start, End, Slowest *time.Time
	Absent              bool // called, and not come: the next one goes
	Promised            bool // it is due, and is met if all goes as it went so far
}

// Why is what decided a place.
type Why string

// What decides a place, the strongest first.
const (
	WhyGate    Why = "at the gate"
	WhyTaken   Why = "taken ahead"
	WhyDue     Why = "due"
	WhySheet   Why = "same sheet"
	WhyShare   Why = "fair share"
	WhyArrival Why = "order of arrival"
	WhyNoSheet Why = "no sheet"
)

// Lead is how much more machine time than the member with the least one may have had and still go first, be it
// for a due time or for a sheet that lies there: the quantum of the fair share.
const Lead = 45 * time.Minute

// Order puts a machine's waiting runs into the order in which they go. It is a pure function of what waits,
// whatever order that comes in.
//
// What is at the gate stays there, and what an operator took follows. What has no sheet that may be used goes
// last. Of the rest, only members take part whose machine time is within Lead of the least among those who wait:
// a bounded lead in place of strict turns, as in deficit round robin (Shreedhar and Varghese 1996, IEEE/ACM
// Transactions on Networking 4(3), 375–385). Their due runs are promised in order of due time as long as each
// promise can still be kept with those before it (Jackson 1955, earliest due date is feasible if anything is).
// The next run is then one of the lot that lies there, else one of the member with the least time, else the
// oldest, unless a promise would break by it: then the earliest promise goes. Slack set against set-up time is what
// the apparent tardiness cost with setups weighs by exponentials (Lee, Bhaskaran and Pinedo 1997, IIE Transactions
// 29(1), 45–52); here a promise is a bound in place of a weight, since a place must be told in words.
//
// Before a member's oldest run goes, no other member gets more than Lead, two runs, and what they had less.
func Order(l Lane) []Place {
	o := &ordering{lane: l, loaded: l.Loaded, at: max(0, l.FreeIn), slowest: max(0, l.FreeIn)}
	waiting := slices.Clone(l.Waiting)
	slices.SortFunc(waiting, func(a, b Waiting) int {
		return cmp.Or(cmp.Compare(a.Number, b.Number), bytes.Compare(a.Run[:], b.Run[:]))
	})
	members := make(map[uuid.UUID]*share)
	var taken, barred []Waiting
	for _, w := range waiting {
		switch {
		case w.AtGate:
			o.place(w, WhyGate, "its checklist is open")
		case w.NoSheet != "":
			barred = append(barred, w)
		case w.Taken != nil:
			taken = append(taken, w)
		default:
			if members[w.Member] == nil {
				members[w.Member] = &share{had: l.Had[w.Member]}
			}
			o.add(w, members[w.Member])
		}
	}
	slices.SortStableFunc(taken, func(a, b Waiting) int { return a.Taken.Compare(*b.Taken) })
	for _, w := range taken {
		o.place(w, WhyTaken, "taken ahead by an operator: "+w.TakenWhy)
	}
	slices.SortFunc(o.due, byDue)
	for len(o.left) > 0 {
		o.next()
	}
	for _, w := range barred {
		o.places = append(o.places, Place{Waiting: w, Why: WhyNoSheet, Reason: w.NoSheet, Absent: w.Absent(l.Now)})
	}
	return o.places
}

// Next is the run that goes now: the first whose member is not waited for. False where none can.
func Next(places []Place) (Place, bool) {
	for _, p := range places {
		if !p.Absent && p.Why != WhyNoSheet {
			return p, true
		}
	}
	return Place{}, false
}

// Before is the run that goes to the gate before another one: the first ahead of it that is neither there already
// nor waits for its member or a sheet. False where nothing does, and for a run that was taken ahead.
func Before(places []Place, run uuid.UUID) (Place, bool) {
	at := slices.IndexFunc(places, func(p Place) bool { return p.Run == run })
	if at >= 0 && places[at].Taken != nil {
		return Place{}, false
	}
	if at >= 0 {
		places = places[:at]
	}
	for _, p := range places {
		if !p.AtGate && !p.Absent && p.Why != WhyNoSheet {
			return p, true
		}
	}
	return Place{}, false
}

// ordering is a queue as it is put together, place by place.
type ordering struct {
	lane        Lane
	loaded      uuid.UUID
	at, slowest time.Duration // from now until the place that comes next
	left        []*entry      // by number
	due         []*entry      // of those, what is due and not promised, by due time
	promised    []*entry      // by due time
	places      []Place
}

// entry is a run that has no place yet.
type entry struct {
	Waiting
	share    *share        // its member's
	lasts    time.Duration // as half of the runs went, behind another lot: what promises are reckoned with
	dueIn    time.Duration // from now, where it is due
	promised bool
}

// share is the machine time of one member.
type share struct {
	had  time.Duration
	owed time.Duration // what promised runs will take
}

// behind is what the member will have had besides this run.
func (e *entry) behind() time.Duration {
	if e.promised {
		return e.share.had + e.share.owed - e.Takes
	}
	return e.share.had + e.share.owed
}

func (o *ordering) add(w Waiting, of *share) {
	e := &entry{Waiting: w, share: of}
	e.lasts, _ = o.lane.lasts(w, uuid.Nil)
	o.left = append(o.left, e)
	if w.Due != nil {
		e.dueIn = w.Due.Sub(o.lane.Now)
		o.due = append(o.due, e)
	}
}

// next picks the run that goes next of those that are left.
func (o *ordering) next() {
	least := slices.MinFunc(o.left, func(a, b *entry) int { return cmp.Compare(a.share.had, b.share.had) }).share.had
	o.promise(least)
	choice, why := o.first(func(e *entry) bool { return e.share.had == least }), WhyShare
	if o.first(func(e *entry) bool { return e.share.had != least }) == nil {
		why = WhyArrival // all had the same machine time: then the order of arrival alone decides
	}
	if o.loaded != uuid.Nil && choice.Stock != o.loaded {
		same := o.leastOf(func(e *entry) bool { return e.Stock == o.loaded && e.behind() <= least+Lead })
		if same != nil && o.keeps(same) && o.spares(same) {
			choice, why = same, WhySheet
		}
	}
	if why != WhySheet && !o.keeps(choice) {
		choice, why = o.promised[0], WhyDue
	}
	o.take(choice, why)
}

// first is the oldest run that fits; nil for none.
func (o *ordering) first(fits func(*entry) bool) *entry {
	if at := slices.IndexFunc(o.left, fits); at >= 0 {
		return o.left[at]
	}
	return nil
}

// leastOf is the fitting run whose member had the least, the oldest of several; nil for none.
func (o *ordering) leastOf(fits func(*entry) bool) (best *entry) {
	for _, e := range o.left {
		if fits(e) && (best == nil || e.share.had < best.share.had) {
			best = e
		}
	}
	return best
}

// promise takes due runs among the promised, by due time and as far as their member's lead reaches, where all
// promises can still be kept.
func (o *ordering) promise(least time.Duration) {
	begins, room := o.reckoned()
	o.due = slices.DeleteFunc(o.due, func(e *entry) bool {
		if e.behind() > least+Lead || room[0] < 0 {
			return false
		}
		at, _ := slices.BinarySearchFunc(o.promised, e, byDue)
		if begins[at]+e.lasts > e.dueIn || room[at] < e.lasts {
			return false
		}
		e.promised = true
		e.share.owed += e.Takes
		o.promised = slices.Insert(o.promised, at, e)
		begins, room = o.reckoned()
		return true
	})
}

// reckoned goes through the promised runs in order of due time, with another lot before each: when each begins, and
// how much later it and all behind it could begin with every promise kept. One more of both stands for the end.
func (o *ordering) reckoned() (begins, room []time.Duration) {
	n := len(o.promised)
	begins, room = make([]time.Duration, n+1), make([]time.Duration, n+1)
	begins[0] = o.at
	for i, e := range o.promised {
		begins[i+1] = begins[i] + e.lasts
	}
	room[n] = math.MaxInt64
	for i, e := range slices.Backward(o.promised) {
		room[i] = min(room[i+1], e.dueIn-begins[i+1])
	}
	return begins, room
}

func byDue(a, b *entry) int {
	return cmp.Or(a.Due.Compare(*b.Due), cmp.Compare(a.Number, b.Number), bytes.Compare(a.Run[:], b.Run[:]))
}

// keeps says whether all promises can still be kept after this run, in order of due time, with another lot before
// each.
func (o *ordering) keeps(e *entry) bool {
	typical, _ := o.lane.lasts(e.Waiting, o.loaded)
	at := o.at + typical
	if e.promised && at > e.dueIn {
		return false
	}
	for _, p := range o.promised {
		if p == e {
			continue
		}
		if at += p.lasts; at > p.dueIn {
			return false
		}
	}
	return true
}

// spares says whether no other due run, promised or not, that could still be met if it went now would be late
// behind this one.
func (o *ordering) spares(e *entry) bool {
	typical, _ := o.lane.lasts(e.Waiting, o.loaded)
	return o.first(func(d *entry) bool {
		now := o.at + d.lasts
		return d.Due != nil && d != e && now <= d.dueIn && now+typical > d.dueIn
	}) == nil
}

// take gives a run the next place.
func (o *ordering) take(e *entry, why Why) {
	is := func(other *entry) bool { return other == e }
	o.left = slices.DeleteFunc(o.left, is)
	if e.promised {
		o.promised = slices.DeleteFunc(o.promised, is)
		e.share.owed -= e.Takes
	} else if e.Due != nil {
		o.due = slices.DeleteFunc(o.due, is)
	}
	o.place(e.Waiting, why, words(e, why))
	o.places[len(o.places)-1].Promised = e.promised
	e.share.had += e.Takes
}

func words(e *entry, why Why) string {
	words := "the order of arrival"
	switch why {
	case WhyDue:
		words = "it is due, and would be late behind others"
	case WhySheet:
		words = "its lot lies there already: no sheet of another kind has to be fetched"
	case WhyShare:
		words = fmt.Sprintf("its member had the least machine time lately, %d min", e.share.had.Round(time.Minute)/time.Minute)
	}
	if e.Due != nil && !e.promised {
		words += "; its due time cannot be promised"
	}
	return words
}

// place sets a run behind those that have a place.
func (o *ordering) place(w Waiting, why Why, reason string) {
	p := Place{Waiting: w, Why: why, Reason: reason, Absent: w.Absent(o.lane.Now)}
	typical, slow := o.lane.lasts(w, o.loaded)
	if !o.lane.LockedOut {
		start, end, slowest := o.lane.Now.Add(o.at), o.lane.Now.Add(o.at+typical), o.lane.Now.Add(o.slowest+slow)
		p.Start, p.End, p.Slowest = &start, &end, &slowest
	}
	o.at, o.slowest, o.loaded = o.at+typical, o.slowest+slow, w.Stock
	o.places = append(o.places, p)
}
