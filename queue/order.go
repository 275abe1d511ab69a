package queue

import (
	"bytes"
	"cmp"
	"fmt"
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
	o := &ordering{lane: l, loaded: l.Loaded, at: max(0, l.FreeIn), slowest: max(0, l.FreeIn), had: make(map[uuid.UUID]time.Duration)}
	waiting := slices.Clone(l.Waiting)
	slices.SortFunc(waiting, func(a, b Waiting) int {
		return cmp.Or(cmp.Compare(a.Number, b.Number), bytes.Compare(a.Run[:], b.Run[:]))
	})
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
			o.left = append(o.left, w)
			o.had[w.Member] = l.Had[w.Member]
		}
	}
	slices.SortStableFunc(taken, func(a, b Waiting) int { return a.Taken.Compare(*b.Taken) })
	for _, w := range taken {
		o.place(w, WhyTaken, "taken ahead by an operator: "+w.TakenWhy)
	}
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

// ordering is a queue as it is put together, place by place.
type ordering struct {
	lane        Lane
	loaded      uuid.UUID
	at, slowest time.Duration // from now until the place that comes next
	left        []Waiting     // by number
	had         map[uuid.UUID]time.Duration
	promised    []Waiting // by due time
	places      []Place
}

// next picks the run that goes next of those that are left.
func (o *ordering) next() {
	least := o.least()
	o.promise(least)
	within := func(w Waiting) bool { return o.had[w.Member]+o.owed(w.Member, w.Run) <= least+Lead }
	fair := o.first(func(a Waiting) bool { return o.had[a.Member] == least })
	choice, why := fair, WhyShare
	if o.alone(least) {
		why = WhyArrival
	}
	if o.loaded != uuid.Nil && fair.Stock != o.loaded {
		same := o.leastOf(func(w Waiting) bool { return w.Stock == o.loaded && within(w) })
		if same.Run != uuid.Nil && o.keeps(same) && o.spares(same) {
			choice, why = same, WhySheet
		}
	}
	if why != WhySheet && !o.keeps(choice) {
		choice, why = o.promised[0], WhyDue
	}
	o.take(choice, why)
}

// owed is what a member is promised besides one run.
func (o *ordering) owed(member, besides uuid.UUID) (sum time.Duration) {
	for _, w := range o.promised {
		if w.Member == member && w.Run != besides {
			sum += w.Takes
		}
	}
	return sum
}

// alone says whether all who wait had the same machine time: then the order of arrival alone decides.
func (o *ordering) alone(least time.Duration) bool {
	return !slices.ContainsFunc(o.left, func(w Waiting) bool { return o.had[w.Member] != least })
}

// least is the least machine time that a member had who waits.
func (o *ordering) least() time.Duration {
	least := o.had[o.left[0].Member]
	for _, w := range o.left {
		least = min(least, o.had[w.Member])
	}
	return least
}

// first is the oldest run that fits; zero for none.
func (o *ordering) first(fits func(Waiting) bool) Waiting {
	if at := slices.IndexFunc(o.left, fits); at >= 0 {
		return o.left[at]
	}
	return Waiting{}
}

// leastOf is the fitting run whose member had the least, the oldest of several; zero for none.
func (o *ordering) leastOf(fits func(Waiting) bool) Waiting {
	var best Waiting
	for _, w := range o.left {
		if fits(w) && (best.Run == uuid.Nil || o.had[w.Member] < o.had[best.Member]) {
			best = w
		}
	}
	return best
}

// promise takes due runs among the promised, by due time and as far as their member's lead reaches, where all
// promises can still be kept.
func (o *ordering) promise(least time.Duration) {
	var due []Waiting
	for _, w := range o.left {
		if w.Due != nil && !slices.ContainsFunc(o.promised, func(p Waiting) bool { return p.Run == w.Run }) {
			due = append(due, w)
		}
	}
	slices.SortStableFunc(due, byDue)
	for _, w := range due {
		if o.had[w.Member]+o.owed(w.Member, w.Run) > least+Lead {
			continue
		}
		at, _ := slices.BinarySearchFunc(o.promised, w, byDueThenNumber)
		with := slices.Insert(slices.Clone(o.promised), at, w)
		if o.kept(with, o.at) {
			o.promised = with
		}
	}
}

func byDue(a, b Waiting) int { return a.Due.Compare(*b.Due) }

func byDueThenNumber(a, b Waiting) int {
	return cmp.Or(byDue(a, b), cmp.Compare(a.Number, b.Number), bytes.Compare(a.Run[:], b.Run[:]))
}

// kept says whether all promises are kept from a time on, in order of due time, with another lot before each.
func (o *ordering) kept(promised []Waiting, from time.Duration) bool {
	for _, w := range promised {
		typical, _ := o.lane.lasts(w, uuid.Nil)
		from += typical
		if o.lane.Now.Add(from).After(*w.Due) {
			return false
		}
	}
	return true
}

// keeps says whether all promises can still be kept after this run.
func (o *ordering) keeps(w Waiting) bool {
	typical, _ := o.lane.lasts(w, o.loaded)
	rest := slices.DeleteFunc(slices.Clone(o.promised), func(p Waiting) bool { return p.Run == w.Run })
	if len(rest) < len(o.promised) && o.lane.Now.Add(o.at+typical).After(*w.Due) {
		return false
	}
	return o.kept(rest, o.at+typical)
}

// spares says whether no other due run, promised or not, that could still be met if it went now would be late
// behind this one.
func (o *ordering) spares(w Waiting) bool {
	typical, _ := o.lane.lasts(w, o.loaded)
	return !slices.ContainsFunc(o.left, func(d Waiting) bool {
		if d.Due == nil || d.Run == w.Run {
			return false
		}
		own, _ := o.lane.lasts(d, uuid.Nil)
		now := o.lane.Now.Add(o.at + own)
		return !now.After(*d.Due) && now.Add(typical).After(*d.Due)
	})
}

// take gives a run the next place.
func (o *ordering) take(w Waiting, why Why) {
	isPromised := func(p Waiting) bool { return p.Run == w.Run }
	promised := slices.ContainsFunc(o.promised, isPromised)
	o.promised = slices.DeleteFunc(o.promised, isPromised)
	o.left = slices.DeleteFunc(o.left, func(p Waiting) bool { return p.Run == w.Run })
	o.had[w.Member] += w.Takes
	o.place(w, why, o.words(w, why, promised))
	o.places[len(o.places)-1].Promised = promised
}

func (o *ordering) words(w Waiting, why Why, promised bool) string {
	words := "the order of arrival"
	switch why {
	case WhyDue:
		words = "it is due, and would be late behind others"
	case WhySheet:
		words = "its lot lies there already: no sheet of another kind has to be fetched"
	case WhyShare:
		words = fmt.Sprintf("its member had the least machine time lately, %s", (o.had[w.Member] - w.Takes).Round(time.Second))
	}
	if w.Due != nil && !promised {
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
