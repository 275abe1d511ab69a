package queue

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"
)

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

func id(kind, n int) uuid.UUID { return uuid.UUID{0: byte(kind), 15: byte(n)} }

// waits is the n-th run, of one of the members and lots.
func waits(n, member, lot int, takes time.Duration) Waiting {
	return Waiting{Run: id(1, n), Number: int64(n), Member: id(2, member), Stock: id(3, lot), Takes: takes}
}

func (w Waiting) by(d time.Duration) Waiting {
	due := noon.Add(d)
	w.Due = &due
	return w
}

func numbers(places []Place) string {
	var all []string
	for _, p := range places {
		all = append(all, fmt.Sprintf("%d %s", p.Number, p.Why))
	}
	return strings.Join(all, ", ")
}

func TestOrder(t *testing.T) {
	t.Parallel()
	quick, long := 10*time.Minute, 40*time.Minute
	lane := func(waiting ...Waiting) Lane { return Lane{Now: noon, Waiting: waiting} }
	with := func(l Lane, change func(*Lane)) Lane { change(&l); return l }
	at := noon.Add(-time.Minute)
	taken := waits(3, 1, 1, quick)
	taken.Taken, taken.TakenWhy = &at, "the class ends at one"
	gate := waits(2, 1, 1, quick)
	gate.AtGate = true
	bare := waits(1, 1, 1, quick)
	bare.NoSheet = "lot P1 may go under no beam"
	for name, c := range map[string]struct {
		lane Lane
		want string
	}{
		"one member": {lane(waits(2, 1, 1, quick), waits(1, 1, 1, quick)), "1 order of arrival, 2 order of arrival"},
		"in turns":   {lane(waits(1, 1, 1, quick), waits(2, 1, 1, quick), waits(3, 2, 1, quick)), "1 order of arrival, 3 fair share, 2 order of arrival"},
		"who had much waits": {with(lane(waits(1, 1, 1, quick), waits(2, 2, 1, quick)), func(l *Lane) { l.Had = map[uuid.UUID]time.Duration{id(2, 1): time.Hour} }),
			"2 fair share, 1 order of arrival"},
		"the lot that lies there": {with(lane(waits(1, 1, 1, quick), waits(2, 2, 2, quick)), func(l *Lane) { l.Loaded = id(3, 2) }), "2 same sheet, 1 order of arrival"},
		"but not past the lead": {with(lane(waits(1, 1, 1, quick), waits(2, 2, 2, quick)), func(l *Lane) {
			l.Loaded, l.Had = id(3, 2), map[uuid.UUID]time.Duration{id(2, 2): time.Hour}
		}), "1 fair share, 2 order of arrival"},
		"nor past a due time":        {with(lane(waits(1, 1, 1, quick).by(20*time.Minute), waits(2, 2, 2, quick)), func(l *Lane) { l.Loaded = id(3, 2) }), "1 order of arrival, 2 order of arrival"},
		"due goes before older ones": {lane(waits(1, 1, 1, long), waits(2, 2, 1, quick).by(20*time.Minute)), "2 due, 1 order of arrival"},
		"due later waits its turn":   {lane(waits(1, 1, 1, long), waits(2, 2, 1, quick).by(4*time.Hour)), "1 order of arrival, 2 order of arrival"},
		"due that cannot be met":     {lane(waits(1, 1, 1, long), waits(2, 2, 1, quick).by(5*time.Minute)), "1 order of arrival, 2 order of arrival"},
		"at the gate, taken, no sheet": {lane(bare, gate, taken, waits(4, 1, 1, quick)),
			"2 at the gate, 3 taken ahead, 4 order of arrival, 1 no sheet"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := numbers(Order(c.lane)); got != c.want {
				t.Errorf("got %s\nwant %s", got, c.want)
			}
		})
	}
}

// TestOrder_Times: starts follow from what runs took here, and none is told while nothing can start.
func TestOrder_Times(t *testing.T) {
	t.Parallel()
	l := Lane{Now: noon, FreeIn: 5 * time.Minute, Loaded: id(3, 1), Pace: Pace{Runs: 20, Typical: 1200, Slow: 1500, Around: 3 * time.Minute},
		Waiting: []Waiting{waits(1, 1, 1, 10*time.Minute), waits(2, 1, 2, 10*time.Minute)}}
	places := Order(l)
	// 5 until free, 1 to lay, 12 of motion, 3 around; then 4 to lay another lot, 12, 3.
	if first, second := places[0], places[1]; first.Start.Sub(noon) != 5*time.Minute || first.End.Sub(noon) != 21*time.Minute || first.Slowest.Sub(noon) != 24*time.Minute ||
		second.End.Sub(noon) != 40*time.Minute || second.Slowest.Sub(noon) != 46*time.Minute {
		t.Errorf("%v to %v, %v; %v, %v", first.Start, first.End, first.Slowest, second.End, second.Slowest)
	}
	l.LockedOut = true
	if p := Order(l)[0]; p.Start != nil || p.End != nil || p.Slowest != nil {
		t.Error("a start is told for a machine that is locked out")
	}
}

// TestNext: who was called and did not come within five minutes keeps the place, and the next one goes.
func TestNext(t *testing.T) {
	t.Parallel()
	called := noon
	first := waits(1, 1, 1, time.Minute)
	first.Called = &called
	l := Lane{Waiting: []Waiting{first, waits(2, 2, 1, time.Minute)}}
	for _, c := range []struct {
		after time.Duration
		seen  bool
		want  int64
	}{{CallLasts - time.Second, false, 1}, {CallLasts, false, 2}, {time.Hour, true, 1}} {
		l.Now, l.Waiting[0].CalledSeen = noon.Add(c.after), c.seen
		places := Order(l)
		if p, ok := Next(places); !ok || p.Number != c.want || places[0].Number != 1 {
			t.Errorf("%v after the call, seen %v: run %d goes, %s", c.after, c.seen, p.Number, numbers(places))
		}
	}
	if _, ok := Next(nil); ok {
		t.Error("of nothing something goes")
	}
}

func drawLane(t *rapid.T) Lane {
	minutes := func(most int, name string) time.Duration {
		return time.Duration(rapid.IntRange(0, most).Draw(t, name)) * time.Minute
	}
	l := Lane{Now: noon, Loaded: id(3, rapid.IntRange(1, 3).Draw(t, "loaded")), FreeIn: minutes(30, "free"), Had: map[uuid.UUID]time.Duration{}}
	if rapid.Bool().Draw(t, "known") {
		l.Pace = Pace{Runs: 9, Typical: rapid.Int64Range(600, 2000).Draw(t, "typical"), Around: minutes(10, "around")}
		l.Pace.Slow = l.Pace.Typical + rapid.Int64Range(0, 1000).Draw(t, "slow")
	}
	for m := range 4 {
		l.Had[id(2, m)] = minutes(120, "had")
	}
	for n := range rapid.IntRange(1, 14).Draw(t, "runs") {
		w := waits(n+1, rapid.IntRange(0, 3).Draw(t, "member"), rapid.IntRange(1, 3).Draw(t, "lot"), minutes(59, "takes")+time.Minute)
		if rapid.IntRange(0, 2).Draw(t, "is due") == 0 {
			w = w.by(minutes(500, "due"))
		}
		l.Waiting = append(l.Waiting, w)
	}
	return l
}

// TestOrder_Whole: every run has one place, whatever order they come in.
func TestOrder_Whole(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := drawLane(t)
		want := Order(l)
		mixed := l
		mixed.Waiting = rapid.Permutation(l.Waiting).Draw(t, "mixed")
		got := Order(mixed)
		if len(want) != len(l.Waiting) || !slices.EqualFunc(want, got, func(a, b Place) bool { return a.Run == b.Run && a.Reason == b.Reason && a.End.Equal(*b.End) }) {
			t.Fatalf("%s\n%s", numbers(want), numbers(got))
		}
		seen := map[uuid.UUID]bool{}
		for _, p := range want {
			if seen[p.Run] || p.Reason == "" {
				t.Fatalf("run %d has two places or no reason", p.Number)
			}
			seen[p.Run] = true
		}
	})
}

// TestOrder_Promises: what was promised is met, and saving a sheet change makes no due run late that could have
// been met if it had gone then.
func TestOrder_Promises(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := drawLane(t)
		places := Order(l)
		for i, p := range places {
			if p.Promised && p.End.After(*p.Due) {
				t.Fatalf("run %d was promised by %v and ends %v: %s", p.Number, p.Due, p.End, numbers(places))
			}
			if p.Why != WhySheet {
				continue
			}
			for _, d := range places[i+1:] {
				own, _ := l.lasts(d.Waiting, uuid.Nil)
				if d.Due != nil && !p.Start.Add(own).After(*d.Due) && p.End.Add(own).After(*d.Due) {
					t.Fatalf("run %d went for its sheet and made run %d late: %s", p.Number, d.Number, numbers(places))
				}
			}
		}
	})
}

// TestOrder_NobodyStarves: before a member's first run goes, each other one gets no more than the lead, two runs,
// and what they had less before.
func TestOrder_NobodyStarves(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := drawLane(t)
		places := Order(l)
		for m := range 4 {
			first := slices.IndexFunc(places, func(p Place) bool { return p.Member == id(2, m) })
			if first < 0 {
				continue
			}
			got, longest := map[uuid.UUID]time.Duration{}, map[uuid.UUID]time.Duration{}
			for _, p := range places[:first] {
				got[p.Member] += p.Takes
				longest[p.Member] = max(longest[p.Member], p.Takes)
			}
			for other, sum := range got {
				if bound := max(0, l.Had[id(2, m)]-l.Had[other]) + Lead + 2*longest[other]; sum > bound {
					t.Fatalf("member %d waits while another gets %v, more than %v: %s", m, sum, bound, numbers(places))
				}
			}
		}
	})
}

// TestOrder_EarliestDueDate: with one member and one lot, if any order at all meets every due time, this one does.
// All orders are tried (Jackson 1955: earliest due date first minimises the greatest lateness).
func TestOrder_EarliestDueDate(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(7, 7))
	met := 0
	for range 400 {
		l := Lane{Now: noon}
		for n := range 5 {
			// Of lots that differ, as a promise reckons.
			l.Waiting = append(l.Waiting, waits(n+1, 1, n+1, time.Duration(1+rng.IntN(8))*time.Minute).by(time.Duration(10+rng.IntN(70))*time.Minute))
		}
		possible := anyOrderMeets(l, nil)
		all := true
		for _, p := range Order(l) {
			all = all && !p.End.After(*p.Due)
		}
		if possible != all {
			t.Fatalf("all due times can be met: %v; they are: %v; %s", possible, all, numbers(Order(l)))
		}
		if possible {
			met++
		}
	}
	if met < 20 || met > 380 {
		t.Errorf("%d of 400 lanes can be met: the test says little", met)
	}
}

func anyOrderMeets(l Lane, before []Waiting) bool {
	if len(before) == len(l.Waiting) {
		at := noon
		for _, w := range before {
			typical, _ := l.lasts(w, uuid.Nil)
			if at = at.Add(typical); at.After(*w.Due) {
				return false
			}
		}
		return true
	}
	return slices.ContainsFunc(l.Waiting, func(w Waiting) bool {
		return !slices.ContainsFunc(before, func(b Waiting) bool { return b.Run == w.Run }) && anyOrderMeets(l, append(slices.Clone(before), w))
	})
}

// TestBefore: the first run goes with one call, and so does what was taken ahead; anything else waits for the first
// that is neither at the gate nor waits for its member or a sheet.
func TestBefore(t *testing.T) {
	t.Parallel()
	place := func(n int, change func(*Place)) Place {
		p := Place{Waiting: waits(n, 1, 1, time.Minute), Why: WhyArrival}
		change(&p)
		return p
	}
	taken := noon
	places := []Place{place(1, func(p *Place) { p.AtGate, p.Why = true, WhyGate }), place(2, func(p *Place) { p.Absent = true }), place(3, func(*Place) {}),
		place(4, func(p *Place) { p.Taken = &taken }), place(5, func(*Place) {}), place(6, func(p *Place) { p.Why = WhyNoSheet })}
	for n, want := range map[int]int64{1: 0, 2: 0, 3: 0, 4: 0, 5: 3, 6: 3, 99: 3} {
		if p, ok := Before(places, id(1, n)); ok != (want != 0) || p.Number != want {
			t.Errorf("before run %d goes %d (%v), want %d", n, p.Number, ok, want)
		}
	}
	if _, ok := Before(places[:2], id(1, 99)); ok {
		t.Error("what is at the gate or waits for its member keeps others")
	}
}
