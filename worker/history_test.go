package worker

import (
	"encoding/binary"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"kerfgate/checklist/permit"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/journal"
	"kerfgate/worker/journal/journaltest"
)

// history drives one core, its journal on a disk that may lose power, and a machine that counts
// first beams for ever, through any order of events. What the server has signed is kept and may
// come again at any time.
type history struct {
	t       *rapid.T
	c       *core
	disk    *journaltest.Disk
	j       *journal.Journal
	now     instant
	writes  []doWrite
	results []event
	tokens  uint64

	permits    []permit.Permit
	digests    []canon.Digest
	granted    map[canon.Digest]bool
	voided     map[canon.Digest]bool
	locked     bool
	index      int64
	lastLock   int64 // index of the newest lockout delivered
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
	plan     *plan.Plan
	profile  machine.Profile
	digest   canon.Digest
}

const historyLines = 6

var (
	historyMachine = uuid.UUID{0: 0xaa}
	historyEpoch   = [16]byte{1}
	historyToken   = []byte("token")
)

func newHistory(t *rapid.T) *history {
	h := &history{t: t, disk: journaltest.New(), now: instant{boot: time.Hour, awake: time.Hour}, granted: map[canon.Digest]bool{},
		voided: map[canon.Digest]bool{}, lastLock: -1, challenges: map[uuid.UUID][32]byte{}, edges: map[uuid.UUID]int{}, profile: beamProfile()}
	digest, err := h.profile.Digest()
	if err != nil {
		t.Fatal(err)
	}
	h.digest = digest
	h.plan = &plan.Plan{Profile: digest, Tool: "beam", ToolKind: machine.ToolBeam, Extents: geom.Box{Max: geom.Pt(10, 10)}, PurgeS: 30}
	h.open()
	return h
}

func (h *history) open() {
	j, err := journal.Open(h.disk)
	if err != nil {
		h.t.Fatalf("open: %v", err)
	}
	h.j = j
	h.c = newCore(rules{machine: historyMachine, machineKey: machineKey, goWait: 2 * time.Second, countdownFor: 5 * time.Second,
		pausedLimit: 10 * time.Minute, random: h.random}, [16]byte{byte(j.Book().Starts)}, j.Book())
	h.writes, h.results, h.stream, h.armed, h.on, h.held = nil, nil, nil, false, false, false
	h.post(evStart{})
	h.post(evListening{up: true})
	if h.lastLock >= 0 {
		h.post(evLockout{statement: permit.Lockout{Machine: historyMachine, Locked: h.locked, LogIndex: h.lastLock}, note: []byte("note")})
	}
	h.post(evState{state: broker.State{Epoch: historyEpoch}})
	h.post(evAdopted{profile: h.profile, digest: h.digest})
	for run := byte(1); run <= 3; run++ {
		h.post(evOffer{offer: broker.Offer{Epoch: historyEpoch, Machine: historyMachine, Run: uuid.UUID{15: run}, Revision: 1, Profile: h.digest}})
	}
}

func (h *history) random() (b [32]byte) {
	h.tokens++
	binary.BigEndian.PutUint64(b[:], h.tokens)
	return b
}

func (h *history) post(e event) {
	for _, a := range h.c.step(h.now, e) {
		h.perform(a)
	}
}

func (h *history) perform(a action) {
	switch a := a.(type) {
	case doWrite:
		h.writes = append(h.writes, a)
	case doPrepare:
		h.results = append(h.results, evPrepared{offer: a.offer})
	case doChallenge:
		if a.answer.Problem == "" {
			h.challenges[a.answer.Run] = a.answer.Challenge
		}
	case doRead:
		h.runStops = h.stops
		h.results = append(h.results, evPlan{run: a.run, plan: h.plan})
	case doReset:
		h.stopped, h.held = false, false
		h.results = append(h.results, evReset{})
	case doLook:
		h.results = append(h.results, evLooked{status: driver.Status{Homed: true, ToolOn: h.on}, stopped: h.stops != h.runStops})
	case doStream:
		d := h.c.run.digest
		switch {
		case !h.granted[d]:
			h.t.Fatalf("motion without a granted go")
		case h.voided[d]:
			h.t.Fatalf("motion on a voided permit")
		case h.locked:
			h.t.Fatalf("motion on a locked-out machine")
		}
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
func (h *history) line() {
	s := h.stream
	if s == nil || h.held {
		return
	}
	if h.stopped || h.stops != h.runStops {
		h.stream = nil
		h.post(evStreamEnded{run: s.run, err: driver.ErrStopped})
		return
	}
	if h.lines == historyLines {
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
			h.t.Fatalf("run %d moved %d times", s.run[15], h.edges[s.run])
		}
	}
	h.lines++
	h.on = true
}

func (h *history) write() {
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
		facts = append(facts, journal.Fact{Kind: journal.Reported, Number: number, Data: []byte(r.Kind)})
	}
	err := h.j.Append(facts...)
	if a.after != nil {
		a.after(err)
	}
	if err != nil || a.tag != "" {
		h.post(evWritten{tag: a.tag, err: err})
	}
}

func (h *history) run() uuid.UUID {
	return uuid.UUID{15: byte(rapid.IntRange(1, 3).Draw(h.t, "run"))}
}

func (h *history) pick(what string) (int, bool) {
	if len(h.permits) == 0 {
		return 0, false
	}
	return rapid.IntRange(0, len(h.permits)-1).Draw(h.t, what), true
}

func (h *history) advance(d time.Duration) {
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

// I1–I4, I8, I9, I12 over any history of events, faults and power cuts.
func TestI2_AnyHistory(t *testing.T) {
	t.Parallel()
	var beams, midway atomic.Int64
	defer func() {
		t.Logf("%d first beams; the power went %d times with a run under way", beams.Load(), midway.Load())
		if !t.Failed() && (beams.Load() < 10 || midway.Load() < 3) {
			t.Error("the histories hardly ever come to a beam: they prove nothing")
		}
	}()
	rapid.Check(t, func(t *rapid.T) {
		h := newHistory(t)
		defer func() { beams.Add(int64(len(h.edges))) }()
		t.Repeat(map[string]func(*rapid.T){
			"": func(t *rapid.T) { h.check(t) },
			"time": func(*rapid.T) {
				h.advance(time.Duration(rapid.SampledFrom([]int{1, 100, 1900, 5000, 30_000, 61_000, 76_000}).Draw(t, "ms")) * time.Millisecond)
			},
			"suspend": func(*rapid.T) { h.now.boot += 2 * time.Second; h.post(evTick{}) },
			"offer": func(*rapid.T) {
				h.post(evOffer{offer: broker.Offer{Epoch: historyEpoch, Machine: historyMachine, Run: h.run(), Revision: 1, Profile: h.digest}})
			},
			"start": func(*rapid.T) { h.start() },
			"again": func(*rapid.T) {
				if i, ok := h.pick("permit"); ok {
					h.post(evPermit{statement: h.permits[i], digest: h.digests[i]})
				}
			},
			"go": func(*rapid.T) {
				if i, ok := h.pick("go"); ok {
					yes := rapid.IntRange(0, 4).Draw(t, "granted") > 0
					if yes {
						h.granted[h.digests[i]] = true
					}
					h.post(evGo{statement: permit.Go{Machine: historyMachine, Run: h.permits[i].Run, Permit: h.digests[i],
						Challenge: h.permits[i].Challenge, Granted: yes}})
				}
			},
			"void": func(*rapid.T) {
				if i, ok := h.pick("void"); ok && !(h.c.run != nil && h.c.run.digest == h.digests[i] && h.c.run.moved) {
					h.voided[h.digests[i]] = true
					h.post(evVoid{statement: permit.Void{Machine: historyMachine, Permit: h.digests[i]}})
				}
			},
			"lockout": func(*rapid.T) {
				h.index++
				h.locked, h.lastLock = rapid.Bool().Draw(t, "locked"), h.index
				h.post(evLockout{statement: permit.Lockout{Machine: historyMachine, Locked: h.locked, LogIndex: h.index}, note: []byte("note")})
			},
			"old lift": func(*rapid.T) {
				h.post(evLockout{statement: permit.Lockout{Machine: historyMachine, LogIndex: h.lastLock}, note: []byte("note")})
			},
			"stop": func(*rapid.T) {
				h.perform(doHalt{})
				h.post(evStop{})
				if s := h.c.stage; s == running || s == paused || h.on {
					t.Fatalf("stage %d after a stop, tool on %v", s, h.on)
				}
			},
			"pause": func(*rapid.T) { h.post(evPause{reason: phrasePerson}) },
			"resume": func(*rapid.T) {
				if len(h.pauses) > 0 {
					token := rapid.SampledFrom(h.pauses).Draw(t, "token")
					current := h.c.stage == paused && token == h.c.run.pauseToken
					before := h.held
					h.post(evResume{statement: permit.Resume{Machine: historyMachine, Run: h.runNow(), PauseToken: token}})
					if before && !h.held && !current {
						t.Fatal("an old token resumed")
					}
				}
			},
			"tap": func(*rapid.T) {
				good := rapid.Bool().Draw(t, "good")
				token := []byte("other")
				if good {
					token = historyToken
				}
				h.post(evTap{token: token, done: func(r tapResult) {
					if r.taken != (good && h.c.run != nil) {
						t.Fatalf("tap taken %v, good %v", r.taken, good)
					}
					if r.taken {
						h.lastTap = h.now.boot
					}
				}})
			},
			"event": func(*rapid.T) {
				h.post(evMachine{event: driver.Event{Kind: rapid.SampledFrom([]string{driver.EventLid, driver.EventAlarm}).Draw(t, "kind")}})
			},
			"disk":  func(*rapid.T) { h.write() },
			"disk2": func(*rapid.T) { h.write() },
			"result": func(*rapid.T) {
				if len(h.results) > 0 {
					e := h.results[0]
					h.results = h.results[1:]
					h.post(e)
				}
			},
			"line":    func(*rapid.T) { h.line() },
			"line2":   func(*rapid.T) { h.line() },
			"settle":  func(*rapid.T) { h.settle() },
			"settle2": func(*rapid.T) { h.settle() },
			"run":     func(*rapid.T) { h.whole() },
			"run2":    func(*rapid.T) { h.whole() },
			"run3":    func(*rapid.T) { h.whole() },
			"miss":    func(*rapid.T) { h.advance(76 * time.Second) },
			"power cut": func(*rapid.T) {
				if h.c.stage > burning {
					midway.Add(1)
				}
				h.disk = h.disk.PowerCut(rapid.Uint64().Draw(t, "seed"))
				h.open()
			},
			"kill": func(*rapid.T) {
				h.disk = h.disk.Kill()
				h.open()
			},
			"disk error": func(*rapid.T) {
				at := h.disk.Calls() + rapid.IntRange(1, 3).Draw(t, "call")
				h.disk.FailWhen(func(call int, _ string) error {
					if call == at {
						return journaltest.ErrFault
					}
					return nil
				})
			},
		})
	})
}

func (h *history) runNow() uuid.UUID {
	if h.c.run == nil {
		return uuid.Nil
	}
	return h.c.run.id
}

// start asks for a challenge and, if there is one, signs and delivers a permit for it.
func (h *history) start() bool {
	run := h.run()
	delete(h.challenges, run)
	r := h.random()
	h.post(evChallenge{ask: broker.ChallengeAsk{Ask: [16]byte(r[:16]), Run: run, Purpose: broker.PurposeStart}})
	challenge, ok := h.challenges[run]
	if !ok {
		return false
	}
	p := permit.Permit{Run: run, Machine: historyMachine, MachineKey: machineKey, Profile: h.digest, SheetWUM: 100, SheetHUM: 100,
		Epoch: historyEpoch, Challenge: challenge, AgeLimitS: 60, Attendance: canon.Sum(historyToken), LogSize: h.index + 1}
	h.permits = append(h.permits, p)
	h.digests = append(h.digests, canon.Digest(h.random()))
	i := len(h.permits) - 1
	h.post(evPermit{statement: p, digest: h.digests[i]})
	return true
}

// settle lets everything that is under way on the disk and the machine come to its end.
func (h *history) settle() {
	for range 40 {
		h.write()
		if len(h.results) > 0 {
			e := h.results[0]
			h.results = h.results[1:]
			h.post(e)
		}
	}
}

// whole takes a run from its challenge to its first line, so that random histories get that far.
func (h *history) whole() {
	h.settle()
	if !h.start() {
		return
	}
	h.settle()
	i := len(h.permits) - 1
	h.granted[h.digests[i]] = true
	h.post(evGo{statement: permit.Go{Machine: historyMachine, Run: h.permits[i].Run, Permit: h.digests[i], Challenge: h.permits[i].Challenge, Granted: true}})
	h.advance(5 * time.Second)
	h.settle()
	h.line()
}

func (h *history) check(t *rapid.T) {
	if h.on && h.c.stage != running {
		t.Fatalf("the tool is on in stage %d", h.c.stage)
	}
	// After a first miss the tool is on only if the server's word resumed the run, and then a tap
	// is due before the interval that began with the miss is over.
	limit := 75 * time.Second
	if h.c.run != nil && h.c.run.watch.misses == 1 {
		limit *= 2
	}
	if h.on && (h.now.boot-h.lastTap >= limit || h.c.run.watch.misses > 1) {
		t.Fatalf("the tool is on %s after the last tap", h.now.boot-h.lastTap)
	}
	if h.on && !h.armed {
		t.Fatal("the tool is on, disarmed")
	}
}
