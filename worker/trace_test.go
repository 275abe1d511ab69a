package worker

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver/simulated"
)

// An outline is gone around while it is held: it begins at the corner that lies nearest, stops within the time
// of two lines when the hand lets go, goes on from there with the next hold, and is whole when the carriage
// is back; where it went is where it was asked to go, and no line of it could switch a beam.
func TestTrace_HeldAround(t *testing.T) {
	t.Parallel()
	atTheMachine(t, simulated.Fault{}, func(t *testing.T, h *hand, o *overheard) {
		h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
		origin := geom.Pt(20_000, 30_000)
		around := []geom.Point{geom.Pt(0, 0), geom.Pt(120_000, 0), geom.Pt(90_000, 80_000)}
		c := broker.SetupCommand{Origin: origin, Around: around}
		speed := h.s.profile.TraceSpeed()

		r := h.holds(c, 600*time.Millisecond)
		r = h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick, Release: true})
		if r.Problem != "" || r.Traced {
			t.Fatalf("let go on the way: %+v", r)
		}
		rest := h.at()
		time.Sleep(2 * time.Second)
		if h.at() != rest {
			t.Fatal("it went on after the hand let go")
		}
		// A silent station stops it like any hold.
		h.holds(c, 300*time.Millisecond)
		silent := time.Now()
		for at := h.at(); time.Since(silent) < 2*time.Second; time.Sleep(5 * time.Millisecond) {
			if now := h.at(); now != at {
				at = now
				if late := time.Since(silent); late > holdFor {
					t.Fatalf("it moves %v after the last sign of life", late)
				}
			}
		}
		begun := time.Now()
		r = h.holds(c, 0)
		for !r.Traced && r.Problem == "" && time.Since(begun) < time.Minute {
			r = h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick})
			time.Sleep(70 * time.Millisecond)
		}
		if !r.Traced || r.Origin != origin {
			t.Fatalf("held to its end: %+v", r)
		}
		first := around[1].Add(origin) // the carriage came from the middle of x and y 40 mm
		if h.at() != first {
			t.Errorf("it rests at %v, not at the corner where it began, %v", h.at(), first)
		}
		// What was sent is one way around, in order, each line short.
		visited, step := wayOf(t, o), speed*traceLine.Milliseconds()/1000
		corners := []geom.Point{first, around[2].Add(origin), around[0].Add(origin), first}
		for i, at := range visited {
			if i > 0 && geom.Distance(visited[i-1], at) > float64(step)+2 {
				t.Errorf("a line of %.0f µm, two lines of %v may be on their way", geom.Distance(visited[i-1], at), traceLine)
			}
			if len(corners) > 0 && at == corners[0] {
				corners = corners[1:]
			}
		}
		if len(corners) > 0 {
			t.Errorf("never at %v", corners[0])
		}
	})
}

// A trace that would leave the travel moves nothing; one that was interrupted by another move, or around which
// the origin changed, begins anew; a stop leaves none.
func TestTrace_Anew(t *testing.T) {
	t.Parallel()
	atTheMachine(t, simulated.Fault{}, func(t *testing.T, h *hand, o *overheard) {
		h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
		around := []geom.Point{geom.Pt(0, 0), geom.Pt(40_000, 0), geom.Pt(40_000, 40_000), geom.Pt(0, 40_000)}
		from := h.at()
		if r := h.holds(broker.SetupCommand{Origin: geom.Pt(h.s.profile.TravelUM.Max.X-39_999, 0), Around: around}, time.Second); r.Problem != phraseTravel || h.at() != from {
			t.Errorf("out of the travel: %+v, moved to %v", r, h.at())
		}
		held := func(origin geom.Point, d time.Duration) broker.SetupResult {
			r := h.holds(broker.SetupCommand{Origin: origin, Around: around}, d)
			return h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick, Release: true})
		}
		origin := geom.Pt(50_000, 20_000)
		for _, c := range []struct {
			what string
			do   func()
			then geom.Point
		}{
			{"a jog", func() { h.says(broker.SetupCommand{Kind: broker.SetupJog, By: geom.Pt(0, 3_000)}) }, origin},
			{"another origin", func() {}, origin.Add(geom.Pt(5_000, 0))},
			{"a stop", func() {
				h.s.w.Stop()
				synctest.Wait()
				h.leave, _ = h.s.leave()
				h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
			}, origin},
		} {
			held(origin, 2*time.Second)
			c.do()
			o.forget()
			if r := held(c.then, 20*time.Second); !r.Traced || r.Origin != c.then {
				t.Fatalf("after %s: %+v", c.what, r)
			}
			seen := map[geom.Point]bool{}
			for _, at := range wayOf(t, o) {
				seen[at] = true
			}
			for _, corner := range around {
				if !seen[corner.Add(c.then)] {
					t.Errorf("after %s: the trace counts as whole and never was at %v", c.what, corner)
				}
			}
		}
	})
}

// forget drops what was heard so far.
func (o *overheard) forget() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.lines = nil
}

// wayOf are the places that the lines led to.
func wayOf(t *testing.T, o *overheard) (way []geom.Point) {
	t.Helper()
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, line := range o.lines {
		var x, y, f float64
		if n, _ := fmt.Sscanf(line, "G1 X%f Y%f F%f", &x, &y, &f); n == 3 {
			way = append(way, geom.Pt(geom.Micrometres(x), geom.Micrometres(y)))
		}
	}
	return way
}
