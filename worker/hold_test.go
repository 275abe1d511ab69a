package worker

import (
	"context"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/simulated"
)

// overheard is a driver whose lines, and whose arming, are written down.
type overheard struct {
	driver.Driver
	mu    sync.Mutex
	lines []string
	armed bool
}

func (o *overheard) Send(ctx context.Context, line string) error {
	o.mu.Lock()
	o.lines = append(o.lines, line)
	o.mu.Unlock()
	return o.Driver.Send(ctx, line)
}

func (o *overheard) Arm(run [16]byte) error {
	o.mu.Lock()
	o.armed = true
	o.mu.Unlock()
	return o.Driver.Arm(run)
}

// cannotBurn looks that nothing was said that could switch a tool, whatever it was asked to do.
func (o *overheard) cannotBurn(t *testing.T) {
	t.Helper()
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.armed {
		t.Error("armed under a set-up leave")
	}
	for _, line := range o.lines {
		if driver.SwitchesOn(line) || strings.Contains(line, "S") {
			t.Errorf("line %q under a set-up leave", line)
		}
	}
}

// hand is a person at the arrows of the page.
type hand struct {
	s      *shop
	leave  []byte
	number int64
}

func (h *hand) says(c broker.SetupCommand) broker.SetupResult {
	h.s.t.Helper()
	h.number++
	c.Leave, c.Number = h.leave, h.number
	h.s.handlers.Setup(c)
	for range 60_000 {
		synctest.Wait()
		if r, ok := h.answer(c.Number); ok {
			return r
		}
		time.Sleep(5 * time.Millisecond)
	}
	h.s.t.Fatalf("no answer to %s", c.Kind)
	return broker.SetupResult{}
}

func (h *hand) answer(number int64) (broker.SetupResult, bool) {
	h.s.mu.Lock()
	defer h.s.mu.Unlock()
	for _, r := range h.s.results {
		if r.Number == number {
			return r, true
		}
	}
	return broker.SetupResult{}, false
}

func (h *hand) at() geom.Point {
	h.s.t.Helper()
	status, err := h.s.w.where()
	if err != nil {
		h.s.t.Fatal(err)
	}
	return status.Position
}

// holds grips and gives signs of life for a while; it gives the last answer.
func (h *hand) holds(c broker.SetupCommand, d time.Duration) broker.SetupResult {
	h.s.t.Helper()
	c.Kind = broker.SetupGrip
	r := h.says(c)
	for end := time.Now().Add(d); r.Problem == "" && time.Now().Before(end); time.Sleep(80 * time.Millisecond) {
		r = h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick})
	}
	return r
}

// atTheMachine is a shop with a simulated machine of another build: a span along x, by hand along y.
func atTheMachine(t *testing.T, fault simulated.Fault, live func(t *testing.T, h *hand, o *overheard)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t)
		s.profile.PlacingX = machine.Placing{How: machine.PlacingMiddleOfSpan, SpanUM: s.profile.TravelUM.Width(), RepeatErrorUM: 100}
		s.profile.PlacingY = machine.Placing{How: machine.PlacingByHand, RepeatErrorUM: 300, MarkUM: 40_000}
		s.setPlan("beam", 42)
		o := &overheard{}
		s.tweak = func(c *Config) {
			c.Driver = func(p machine.Profile) (driver.Driver, error) {
				d, err := simulated.New(simulated.Config{Profile: p, Tool: "beam", Fault: fault})
				o.Driver = d
				return o, err
			}
		}
		s.opens()
		msg, _ := s.leave()
		live(t, &hand{s: s, leave: msg}, o)
		s.closes()
		o.cannotBurn(t)
	})
}

// Each axis finds its place as the profile says. What is measured between two marks is held against the
// profile, and what a person does is asked for.
func TestPlace_AsTheProfileSays(t *testing.T) {
	t.Parallel()
	atTheMachine(t, simulated.Fault{SpanOffUM: geom.Pt(-200, 9_000)}, func(t *testing.T, h *hand, _ *overheard) {
		if r := h.says(broker.SetupCommand{Kind: broker.SetupHome}); r.Problem != phraseByHand || r.Homed {
			t.Errorf("nobody said that the carriage stands on its mark: %+v", r)
		}
		r := h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
		middle := h.s.profile.TravelUM.Width() / 2
		if r.Problem != "" || !r.Homed || r.Position != geom.Pt(middle, 40_000) || r.Span.X != h.s.profile.TravelUM.Width()-200 || r.Span.Y != 0 {
			t.Errorf("within the tolerance of 0.2 mm: %+v", r)
		}
	})
	for _, off := range []int64{-201, 201, 12_000} {
		atTheMachine(t, simulated.Fault{SpanOffUM: geom.Pt(off, 0)}, func(t *testing.T, h *hand, _ *overheard) {
			r := h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
			if r.Problem != phraseSpan || r.Homed || r.Span.X != h.s.profile.TravelUM.Width()+off {
				t.Errorf("off by %d µm: %+v", off, r)
			}
			if r := h.says(broker.SetupCommand{Kind: broker.SetupJog, By: geom.Pt(1000, 0)}); r.Problem != phraseNotHomed {
				t.Errorf("moves without a place: %+v", r)
			}
			if r := h.holds(broker.SetupCommand{By: geom.Pt(1, 0)}, 0); r.Problem != phraseNotHomed {
				t.Errorf("holds without a place: %+v", r)
			}
		})
	}
}

// A hold moves at 20 mm/s, finely at 2 mm/s, rests on release, ends where the travel ends.
func TestHold_Moves(t *testing.T) {
	t.Parallel()
	atTheMachine(t, simulated.Fault{}, func(t *testing.T, h *hand, _ *overheard) {
		h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
		for _, c := range []struct {
			fine bool
			mmS  float64
		}{{false, 20}, {true, 2}} {
			from, begun := h.at(), time.Now()
			r := h.holds(broker.SetupCommand{By: geom.Pt(0, 1), Fine: c.fine}, 2*time.Second)
			released := time.Now()
			r = h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick, Release: true})
			if r.Problem != "" || !r.Homed {
				t.Fatalf("released: %+v", r)
			}
			if took := time.Since(released); took > 200*time.Millisecond {
				t.Errorf("at rest %v after the release", took)
			}
			moved := h.at().Sub(from)
			most := c.mmS * time.Since(begun).Seconds() * 1000
			if moved.X != 0 || float64(moved.Y) < 0.9*most || float64(moved.Y) > most {
				t.Errorf("moved %v µm, at most %.0f", moved, most)
			}
			time.Sleep(time.Second)
			if r.Position != h.at() {
				t.Errorf("said to rest at %v, is at %v", r.Position, h.at())
			}
		}
		if r := h.holds(broker.SetupCommand{By: geom.Pt(-1, 0)}, time.Minute); r.Problem != phraseEdge || h.at().X != h.s.profile.TravelUM.Min.X {
			t.Errorf("at the end of the travel: %+v, at %v", r, h.at())
		}
		if r := h.holds(broker.SetupCommand{By: geom.Pt(-1, 0)}, 0); r.Problem != phraseEdge {
			t.Errorf("out of the travel: %+v", r)
		}
		for _, way := range []geom.Point{geom.Pt(0, 0), geom.Pt(1, 1), geom.Pt(5, 0)} {
			if r := h.holds(broker.SetupCommand{By: way}, 0); r.Problem != phraseCommand {
				t.Errorf("way %v: %+v", way, r)
			}
		}
	})
}

// A station that falls silent stops the carriage within 300 ms of the last sign that it was there, and
// nothing that comes late starts it again.
func TestHold_Silence(t *testing.T) {
	t.Parallel()
	atTheMachine(t, simulated.Fault{}, func(t *testing.T, h *hand, o *overheard) {
		h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
		r := h.holds(broker.SetupCommand{By: geom.Pt(1, 0)}, time.Second)
		last := time.Now() // the newest tick was told before that
		// The page dies here. Its last beats come late, some of them twice.
		stale := []broker.SetupCommand{}
		for tick := r.Tick - 3; tick <= r.Tick; tick++ {
			stale = append(stale, broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: tick})
		}
		rested := last
		for at := h.at(); time.Since(last) < 3*time.Second; time.Sleep(time.Millisecond) {
			if now := h.at(); now != at {
				at, rested = now, time.Now()
			}
			if ms := time.Since(last).Milliseconds(); ms%70 == 0 && ms > 0 && ms < 700 {
				c := stale[ms/70%int64(len(stale))]
				h.number++
				c.Leave, c.Number = h.leave, h.number
				h.s.handlers.Setup(c)
			}
		}
		if took := rested.Sub(last); took > holdFor || took <= 0 {
			t.Errorf("at rest %v after the page's last sign of life", took)
		}
		still := h.at()
		for _, c := range append(stale, broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick + 1},
			broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: 1 << 40}, broker.SetupCommand{Kind: broker.SetupBeat, Tick: 1}) {
			if r := h.says(c); r.Problem == "" && r.Tick != 0 {
				t.Errorf("a late beat was taken: %+v", r)
			}
		}
		// A grip that comes late gives a key to nobody and moves nothing.
		r = h.says(broker.SetupCommand{Kind: broker.SetupGrip, By: geom.Pt(1, 0)})
		time.Sleep(holdFor + time.Millisecond)
		if r := h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick}); r.Problem != phraseLetGo {
			t.Errorf("a grip that nobody followed: %+v", r)
		}
		// A slow link, every beat 350 ms old: not a single step.
		r = h.says(broker.SetupCommand{Kind: broker.SetupGrip, By: geom.Pt(1, 0)})
		for range 3 {
			time.Sleep(350 * time.Millisecond)
			h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick})
		}
		if h.at() != still {
			t.Errorf("moved to %v without anybody holding", h.at())
		}
		// Released, then a beat that was sent before it.
		r = h.holds(broker.SetupCommand{By: geom.Pt(1, 0)}, 200*time.Millisecond)
		h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick, Release: true})
		still = h.at()
		h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick})
		time.Sleep(time.Second)
		if h.at() != still {
			t.Error("a beat from before the release moved it")
		}
	})
}

// Stop run ends a hold and its leave; nobody else gets in between.
func TestHold_Stop(t *testing.T) {
	t.Parallel()
	atTheMachine(t, simulated.Fault{}, func(t *testing.T, h *hand, _ *overheard) {
		h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
		r := h.holds(broker.SetupCommand{By: geom.Pt(1, 0)}, 400*time.Millisecond)
		if got := h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true}); got.Problem != phraseBusy {
			t.Errorf("home in the middle of a hold: %+v", got)
		}
		r = h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick})
		h.s.w.Stop()
		time.Sleep(100 * time.Millisecond)
		still := h.at()
		if got := h.says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick}); got.Problem != phraseLetGo {
			t.Errorf("a beat after a stop: %+v", got)
		}
		time.Sleep(time.Second)
		if h.at() != still {
			t.Error("motion after a stop")
		}
		if got := h.says(broker.SetupCommand{Kind: broker.SetupGrip, By: geom.Pt(1, 0)}); got.Problem != phraseChallenge {
			t.Errorf("the leave outlived a stop: %+v", got)
		}
	})
}
