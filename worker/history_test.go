package worker

import (
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
	"kerfgate/worker/journal/journaltest"
)

// history drives a bench through any order of events. The server is whatever it likes: what it has
// signed is kept and may come again at any time.
type history struct {
	*bench

	permits  []permit.Permit
	digests  []canon.Digest
	granted  map[canon.Digest]bool
	voided   map[canon.Digest]bool
	locked   bool
	index    int64
	lastLock int64 // index of the newest lockout delivered

	offered *plan.Plan
	profile machine.Profile
	digest  canon.Digest
}

var (
	historyMachine = uuid.UUID{0: 0xaa}
	historyEpoch   = [16]byte{1}
	historyToken   = []byte("token")
)

func newHistory(t *rapid.T) *history {
	h := &history{granted: map[canon.Digest]bool{}, voided: map[canon.Digest]bool{}, lastLock: -1, profile: beamProfile()}
	digest, err := h.profile.Digest()
	if err != nil {
		t.Fatal(err)
	}
	h.digest = digest
	h.offered = &plan.Plan{Profile: digest, Tool: "beam", ToolKind: machine.ToolBeam, Extents: geom.Box{Max: geom.Pt(10, 10)}, PurgeS: 30}
	h.bench = newBench(t, rules{machine: historyMachine, machineKey: machineKey}, h)
	h.open()
	return h
}

func (h *history) greet() {
	if h.lastLock >= 0 {
		h.post(evLockout{statement: permit.Lockout{Machine: historyMachine, Locked: h.locked, LogIndex: h.lastLock}, note: []byte("note")})
	}
	h.post(evState{state: broker.State{Epoch: historyEpoch}})
	h.post(evAdopted{profile: h.profile, digest: h.digest})
	for run := byte(1); run <= 3; run++ {
		h.post(evOffer{offer: broker.Offer{Epoch: historyEpoch, Machine: historyMachine, Run: uuid.UUID{15: run}, Revision: 1, Profile: h.digest}})
	}
}

func (h *history) prepare(doPrepare) string { return "" }
func (h *history) adopt(doAdopt)            {}
func (h *history) plan(doRead) *plan.Plan   { return h.offered }
func (h *history) taken(broker.Taken)       {}

func (h *history) moves(_ uuid.UUID, permit canon.Digest) {
	switch {
	case !h.granted[permit]:
		h.t.Fatalf("motion without a granted go")
	case h.voided[permit]:
		h.t.Fatalf("motion on a voided permit")
	case h.locked:
		h.t.Fatalf("motion on a locked-out machine")
	}
}

func aRun(t *rapid.T) uuid.UUID {
	return uuid.UUID{15: byte(rapid.IntRange(1, 3).Draw(t, "run"))}
}

func (h *history) pick(t *rapid.T, what string) (int, bool) {
	if len(h.permits) == 0 {
		return 0, false
	}
	return rapid.IntRange(0, len(h.permits)-1).Draw(t, what), true
}

// I1–I4, I8, I9, I12 over any history of events, faults and power cuts.
func TestI2_AnyHistory(t *testing.T) {
	t.Parallel()
	var histories, beams, midway atomic.Int64
	defer func() {
		t.Logf("%d histories, %d first beams; the power went %d times with a run under way", histories.Load(), beams.Load(), midway.Load())
		// Of few histories, as -short asks for, hardly anything can be demanded.
		wantBeams, wantMidway := int64(10), int64(3)
		if histories.Load() < 100 {
			wantBeams, wantMidway = 1, 0
		}
		if !t.Failed() && (beams.Load() < wantBeams || midway.Load() < wantMidway) {
			t.Error("the histories hardly ever come to a beam: they prove nothing")
		}
	}()
	rapid.Check(t, func(t *rapid.T) {
		h := newHistory(t)
		defer func() { histories.Add(1); beams.Add(int64(len(h.edges))) }()
		t.Repeat(map[string]func(*rapid.T){
			"": func(*rapid.T) { h.check() },
			"time": func(*rapid.T) {
				h.advance(time.Duration(rapid.SampledFrom([]int{1, 100, 1900, 5000, 30_000, 61_000, 76_000}).Draw(t, "ms")) * time.Millisecond)
			},
			"suspend": func(*rapid.T) { h.now.boot += 2 * time.Second; h.post(evTick{}) },
			"offer": func(*rapid.T) {
				h.post(evOffer{offer: broker.Offer{Epoch: historyEpoch, Machine: historyMachine, Run: aRun(t), Revision: 1, Profile: h.digest}})
			},
			"start": func(*rapid.T) { h.start(t) },
			"again": func(*rapid.T) {
				if i, ok := h.pick(t, "permit"); ok {
					h.post(evPermit{statement: h.permits[i], digest: h.digests[i]})
				}
			},
			"go": func(*rapid.T) {
				if i, ok := h.pick(t, "go"); ok {
					yes := rapid.IntRange(0, 4).Draw(t, "granted") > 0
					if yes {
						h.granted[h.digests[i]] = true
					}
					h.post(evGo{statement: permit.Go{Machine: historyMachine, Run: h.permits[i].Run, Permit: h.digests[i],
						Challenge: h.permits[i].Challenge, Granted: yes}})
				}
			},
			"void": func(*rapid.T) {
				if i, ok := h.pick(t, "void"); ok && !(h.c.run != nil && h.c.run.digest == h.digests[i] && h.c.run.moved) {
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
			"run":     func(*rapid.T) { h.whole(t) },
			"run2":    func(*rapid.T) { h.whole(t) },
			"run3":    func(*rapid.T) { h.whole(t) },
			"miss":    func(*rapid.T) { h.advance(76 * time.Second) },
			"power cut": func(*rapid.T) {
				if h.c.stage > burning {
					midway.Add(1)
				}
				h.restart(true, rapid.Uint64().Draw(t, "seed"))
			},
			"kill": func(*rapid.T) {
				h.restart(false, 0)
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
func (h *history) start(t *rapid.T) bool {
	run := aRun(t)
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

// whole takes a run from its challenge to its first line, so that random histories get that far.
func (h *history) whole(t *rapid.T) {
	h.settle()
	if !h.start(t) {
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
