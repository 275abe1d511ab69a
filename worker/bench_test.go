package worker

import (
	"encoding/binary"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/journal"
	"kerfgate/worker/journal/journaltest"
)

// bench is one core with its journal on a disk that may lose power and a machine that counts first
// beams for ever. What the server is, its owner says.
type bench struct {
	t       rapid.TB
	rules   rules
	server  server
	c       *core
	disk    *journaltest.Disk
	j       *journal.Journal
	now     instant
	writes  []doWrite
	results []event
	tokens  uint64

	challenges map[uuid.UUID][32]byte
	pauses     [][32]byte

	edges    map[uuid.UUID]int
	stops    int
	runStops int
	stopped  bool
	armed    bool
	on       bool
	held     bool
	stream   *doStream
	lines    int
	lastTap  time.Duration
}

// server is who stands at the other end of a bench.
type server interface {
	// greet is what a new process hears first.
	greet()
	// prepare says why a run is not ready; empty where it is.
	prepare(doPrepare) string
	adopt(doAdopt)
	plan(doRead) *plan.Plan
	taken(broker.Taken)
	// moves is asked at the moment of the first line and fails the test where nothing may move.
	moves(run uuid.UUID, permit canon.Digest)
}

const benchLines = 6

func newBench(t rapid.TB, r rules, s server) *bench {
	b := &bench{t: t, rules: r, server: s, disk: journaltest.New(), now: instant{boot: time.Hour, awake: time.Hour},
		challenges: map[uuid.UUID][32]byte{}, edges: map[uuid.UUID]int{}}
	b.rules.goWait, b.rules.countdownFor, b.rules.pausedLimit, b.rules.random = 2*time.Second, 5*time.Second, 10*time.Minute, b.random
	return b
}

// open starts a process on what the disk holds.
func (h *bench) open() {
	j, err := journal.Open(h.disk)
	if err != nil {
		h.t.Fatalf("open: %v", err)
	}
	h.j = j
	h.c = newCore(h.rules, [16]byte{byte(j.Book().Starts)}, j.Book())
	h.writes, h.results, h.stream, h.armed, h.on, h.held = nil, nil, nil, false, false, false
	h.post(evStart{})
	h.post(evListening{up: true})
	h.server.greet()
}

// restart ends the process: with the power, which loses what was not synced, or as kill -9 does.
func (h *bench) restart(power bool, seed uint64) {
	if power {
		h.disk = h.disk.PowerCut(seed)
	} else {
		h.disk = h.disk.Kill()
	}
	h.open()
}

func (h *bench) random() (b [32]byte) {
	h.tokens++
	binary.BigEndian.PutUint64(b[:], h.tokens)
	return b
}

func (h *bench) post(e event) {
	for _, a := range h.c.step(h.now, e) {
		h.perform(a)
	}
}

func (h *bench) perform(a action) {
	switch a := a.(type) {
	case doWrite:
		h.writes = append(h.writes, a)
	case doPrepare:
		h.results = append(h.results, evPrepared{offer: a.offer, reason: h.server.prepare(a)})
	case doAdopt:
		h.server.adopt(a)
	case doApplied:
		h.applied(a.number)
	case doTaken:
		h.server.taken(a.taken)
	case doChallenge:
		if a.answer.Problem == "" {
			h.challenges[a.answer.Run] = a.answer.Challenge
		}
	case doRead:
		h.runStops = h.stops
		h.results = append(h.results, evPlan{run: a.run, plan: h.server.plan(a)})
	case doReset:
		h.stopped, h.held = false, false
		h.results = append(h.results, evReset{})
	case doLook:
		h.results = append(h.results, evLooked{status: driver.Status{Homed: true, ToolOn: h.on}, stopped: h.stops != h.runStops})
	case doStream:
		h.server.moves(a.run, h.c.run.digest)
		disk := journaltest.New()
		disk.Put("journal", h.disk.Durable("journal"))
		j, err := journal.Open(disk)
		if err != nil {
			h.t.Fatalf("the journal at the first motion: %v", err)
		}
		if burn, ok := j.Book().BurnOf(a.run); !ok || !burn.Started {
			h.t.Fatalf("motion before the burn was on the disk: %v %+v", ok, burn)
		}
		h.stream, h.lines, h.armed = &a, 0, true
	case doHalt:
		h.stops++
		h.stopped, h.on = true, false
	case doDisarm:
		h.armed, h.on, h.stream = false, false, nil
	case doHold:
		h.held, h.on = true, false
	case doGoOn:
		h.held = false
		h.post(evWentOn{run: a.run}) // the shell asks the machine and tells at once
	case doSheet:
		h.results = append(h.results, evSheet{run: a.run})
	}
}

// line lets the machine take its next line.
func (h *bench) line() {
	s := h.stream
	if s == nil || h.held {
		return
	}
	if h.stopped || h.stops != h.runStops {
		h.stream = nil
		h.post(evStreamEnded{run: s.run, err: driver.ErrStopped})
		return
	}
	if h.lines == benchLines {
		h.stream, h.on = nil, false
		h.post(evStreamEnded{run: s.run})
		return
	}
	if h.lines == 0 {
		h.lastTap = h.now.boot
		h.post(evToolOn{run: s.run})
		if h.stream == nil {
			return
		}
		h.edges[s.run]++
		if h.edges[s.run] > 1 {
			h.t.Fatalf("a run moved %d times", h.edges[s.run])
		}
	}
	h.lines++
	h.on = true
}

func (h *bench) write() {
	if len(h.writes) == 0 {
		return
	}
	a := h.writes[0]
	h.writes = h.writes[1:]
	facts := a.facts
	number := h.j.LastNumber()
	for _, r := range a.reports {
		number++
		if r.Kind == broker.ReportPaused {
			h.pauses = append(h.pauses, r.PauseToken)
		}
		r.Number = number
		data, err := canon.Marshal(r)
		if err != nil {
			h.t.Fatalf("report: %v", err)
		}
		facts = append(facts, journal.Fact{Kind: journal.Reported, Number: number, Data: data})
	}
	err := h.j.Append(facts...)
	if a.after != nil {
		a.after(err)
	}
	if err != nil || a.tag != "" {
		h.post(evWritten{tag: a.tag, err: err})
	}
}

// applied takes reports out of the journal, as the shell does.
func (h *bench) applied(number int64) {
	if number <= h.j.AppliedTo() {
		return
	}
	if err := h.j.Append(journal.Fact{Kind: journal.Applied, Number: number}); err != nil {
		h.post(evWritten{err: err})
	}
}

func (h *bench) advance(d time.Duration) {
	for d > 0 { // as the shell does: never more than a tick without a look, and exactly at deadlines
		step := min(d, 100*time.Millisecond)
		if at := h.c.wake(); at > h.now.boot {
			step = min(step, at-h.now.boot)
		}
		h.now.boot += step
		h.now.awake += step
		d -= step
		h.post(evTick{})
	}
}

// settle lets everything that is under way on the disk and the machine come to its end.
func (h *bench) settle() {
	for range 40 {
		h.write()
		if len(h.results) > 0 {
			e := h.results[0]
			h.results = h.results[1:]
			h.post(e)
		}
	}
}

// check holds the tool to the worker's own rules: on only while running, armed and attended (I9).
func (h *bench) check() {
	if h.on && h.c.stage != running {
		h.t.Fatalf("the tool is on in stage %d", h.c.stage)
	}
	// After a first miss the tool is on only if the server's word resumed the run, and then a tap
	// is due before the interval that began with the miss is over.
	limit := 75 * time.Second
	if h.c.run != nil && h.c.run.watch.misses == 1 {
		limit *= 2
	}
	if h.on && (h.now.boot-h.lastTap >= limit || h.c.run.watch.misses > 1) {
		h.t.Fatalf("the tool is on %s after the last tap", h.now.boot-h.lastTap)
	}
	if h.on && !h.armed {
		h.t.Fatalf("the tool is on, disarmed")
	}
}
