package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/journal"
	"kerfgate/worker/journal/journaltest"
)

// clock is the bubble's clock, with time in which the host was suspended on top.
type clock struct {
	start time.Time
	mu    sync.Mutex
	slept time.Duration
}

func (c *clock) Awake() time.Duration { return time.Hour + time.Since(c.start) }

func (c *clock) Boot() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Hour + time.Since(c.start) + c.slept
}

func (c *clock) suspend(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.slept += d
}

// fakeMachine is a machine and its driver in memory. It counts for ever how often energy was first commanded for a run.
type fakeMachine struct {
	mu      sync.Mutex
	lines   []string
	armed   [16]byte
	isArmed bool
	edges   map[[16]byte]int
	stopped bool
	stopSig chan struct{}
	holding chan struct{} // open while held
	on      bool
	homed   bool
	stops   int
	per     time.Duration // of each line
	onEdge  func(run [16]byte)
	broken  error
	events  chan driver.Event
	closed  bool
	moves   int // motion lines taken

	homesAgain bool
}

func newFakeMachine(edges map[[16]byte]int) *fakeMachine {
	return &fakeMachine{edges: edges, stopSig: make(chan struct{}), homed: true, per: 250 * time.Millisecond, events: make(chan driver.Event, 8)}
}

func (l *fakeMachine) Open(context.Context) error { return l.broken }
func (l *fakeMachine) Home(context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.stopped {
		return driver.ErrStopped
	}
	l.homed = true
	return nil
}
func (l *fakeMachine) Fit(string) error { return nil }
func (l *fakeMachine) Arm(run [16]byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.armed, l.isArmed = run, true
	return nil
}
func (l *fakeMachine) Disarm() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.isArmed = false
}
func (l *fakeMachine) Send(ctx context.Context, line string) error {
	l.mu.Lock()
	for l.holding != nil && !l.stopped {
		hold, stop := l.holding, l.stopSig
		l.mu.Unlock()
		select {
		case <-hold:
		case <-stop:
		case <-ctx.Done():
			return ctx.Err()
		}
		l.mu.Lock()
	}
	if l.stopped {
		l.mu.Unlock()
		return driver.ErrStopped
	}
	if strings.HasPrefix(line, "M3") {
		if !l.isArmed {
			l.mu.Unlock()
			return driver.ErrNotArmed
		}
		if !l.on && !slices.Contains(l.lines, fmt.Sprintf("edge %x", l.armed)) {
			l.edges[l.armed]++
			l.lines = append(l.lines, fmt.Sprintf("edge %x", l.armed))
			if l.onEdge != nil {
				l.onEdge(l.armed)
			}
		}
		l.on = true
	}
	if strings.HasPrefix(line, "M5") {
		l.on = false
	}
	if strings.HasPrefix(line, "G0") || strings.HasPrefix(line, "G1") {
		l.moves++
	}
	l.lines = append(l.lines, line)
	stop, per := l.stopSig, time.Duration(0)
	if strings.HasPrefix(line, "G1") || strings.HasPrefix(line, "G0") {
		per = l.per
	}
	l.mu.Unlock()
	timer := time.NewTimer(per)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-stop:
		return driver.ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	}
}
func (l *fakeMachine) Drain(context.Context) error { return nil }
func (l *fakeMachine) Hold() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.on = false
	if l.holding == nil {
		l.holding = make(chan struct{})
	}
	return l.broken
}
func (l *fakeMachine) HomeAgain(context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.homesAgain {
		return driver.ErrRefused
	}
	l.homed = true
	return nil
}
func (l *fakeMachine) GoOn() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.holding != nil {
		close(l.holding)
		l.holding = nil
	}
	return l.broken
}
func (l *fakeMachine) Stop() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.stops++
	l.on = false
	if !l.stopped {
		l.stopped = true
		close(l.stopSig)
	}
	return nil
}
func (l *fakeMachine) Reset(context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.stopped {
		l.stopped, l.stopSig, l.holding = false, make(chan struct{}), nil
	}
	return nil
}
func (l *fakeMachine) Where() (driver.Status, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return driver.Status{Homed: l.homed, ToolOn: l.on, Position: geom.Pt(1000, 1000)}, l.broken
}
func (l *fakeMachine) Sheet() (*driver.Sheet, error) {
	return &driver.Sheet{PNG: []byte("picture"), BurnedUM: 1234}, nil
}
func (l *fakeMachine) Events() <-chan driver.Event { return l.events }
func (l *fakeMachine) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.closed {
		l.closed = true
		close(l.events)
	}
	return nil
}

// tells is what the machine says by itself, unless it was closed.
func (l *fakeMachine) tells(kind string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.closed {
		l.events <- driver.Event{Kind: kind}
	}
}
func (l *fakeMachine) set(f func(*fakeMachine)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f(l)
}
func (l *fakeMachine) moved() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.moves
}
func (l *fakeMachine) isStopped() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.stopped
}
func (l *fakeMachine) isOn() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.on
}

// folder is a disk that fails, and plans beside it that do not.
type folder struct {
	*journaltest.Disk
	mu    *sync.Mutex
	files map[string][]byte
}

func newFolder() *folder {
	return &folder{Disk: journaltest.New(), mu: &sync.Mutex{}, files: map[string][]byte{}}
}

func (f *folder) after(next *journaltest.Disk) *folder {
	return &folder{Disk: next, mu: f.mu, files: f.files}
}

func (f *folder) Read(name string) ([]byte, error) {
	if strings.HasPrefix(name, "journal") {
		return f.Disk.Read(name)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	data, ok := f.files[name]
	if !ok {
		return nil, fs.ErrNotExist
	}
	return slices.Clone(data), nil
}
func (f *folder) Write(name string, data []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.files[name] = slices.Clone(data)
	return nil
}
func (f *folder) Append(name string, data []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.files[name] = append(f.files[name], data...)
	return nil
}

// inMemory is a file that is none.
type inMemory struct{ *bytes.Reader }

func (inMemory) Close() error { return nil }

func (f *folder) Open(name string) (Stored, error) {
	data, err := f.Read(name)
	if err != nil {
		return nil, err
	}
	return inMemory{bytes.NewReader(bytes.Clone(data))}, nil
}

func (f *folder) Keep(from, to string) error {
	data, err := f.Read(from)
	if err != nil {
		return err
	}
	return errors.Join(f.Write(to, data), f.Remove(from))
}

func (f *folder) Remove(name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.files, name)
	return nil
}
func (f *folder) List() ([]string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Collect(maps.Keys(f.files)), nil
}

// shop is one machine, its worker, and the server's side of the wire.
type shop struct {
	t       *testing.T
	signer  note.Signer
	keys    note.Verifiers
	clock   *clock
	folder  *folder
	at      atomic.Pointer[fakeMachine]
	edges   map[[16]byte]int
	profile machine.Profile
	plan    *plan.Plan
	data    []byte // of the plan
	digest  canon.Digest
	machine uuid.UUID
	epoch   [16]byte
	token   []byte
	lines   int // motion lines of the run

	mu         sync.Mutex
	state      broker.State
	reports    map[int64]broker.Report
	challenges []broker.ChallengeAnswer
	takens     []broker.Taken
	results    []broker.SetupResult
	linkDown   bool
	lastNumber int64
	chunks     int

	w        *Worker
	handlers broker.Handlers
	stop     func() error
	fail     atomic.Value // func(string)
	tweak    func(*Config)
}

// Public nkeys of two workers; nobody holds the halves that sign.
const (
	machineKey = "UCAOENIOQFAN36ESB54HYJZIFLCZD5JMQ2MFBWPE6CAMQBNNVOXVJMP5"
	otherKey   = "UBN73BA5HEW727AVYF7ETB2MDJYCY4HYI4KCJCMNVLTJ55AY4LH3H5MH"
)

func beamProfile() machine.Profile {
	return machine.Profile{
		Name:     "beam of the garden workshop",
		TravelUM: geom.Box{Max: geom.Pt(300_000, 200_000)}, HardStops: geom.Box{Min: geom.Pt(-2000, -2000), Max: geom.Pt(302_000, 202_000)},
		SmallestStepUM: 12, TravelSpeedUMPerS: 100_000, WorkSpeedUMPerS: 50_000, AccelXUMPerS2: 500_000, AccelYUMPerS2: 500_000,
		Tools: []machine.Tool{
			{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 450, PowerMW: 2000, SpotUM: 120, Switch: machine.Switch{Kind: machine.SwitchHold}},
			{Name: "pen", Kind: machine.ToolPen, SpotUM: 400, Switch: machine.Switch{Kind: machine.SwitchHold}},
		},
		CutOff: machine.CutOff{Tested: true, CablePulledMS: 300, WorkerKilledMS: 600, HostSuspendedMS: 1000},
		Driver: machine.Driver{Kind: machine.DriverSimulated},
	}
}

func newShop(t *testing.T) *shop {
	t.Helper()
	secret, public, err := permit.GenerateKey(permit.KeyName("garden"))
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	keys, err := permit.Verifiers(public)
	if err != nil {
		t.Fatal(err)
	}
	s := &shop{t: t, signer: signer, keys: keys, clock: &clock{start: time.Now()}, folder: newFolder(), edges: map[[16]byte]int{},
		profile: beamProfile(), machine: uuid.UUID{0: 0xaa, 15: 1}, epoch: [16]byte{1, 2, 3}, token: []byte("token of the attending operator"),
		lines: 40, reports: map[int64]broker.Report{}}
	s.setPlan("beam", 42)
	return s
}

// fake is the machine that the worker's driver talks to now.
func (s *shop) fake() *fakeMachine { return s.at.Load() }

// burnIsDurable holds every first beam against what of the journal would survive a power cut (I2).
func (s *shop) burnIsDurable(run [16]byte) {
	disk := journaltest.New()
	disk.Put("journal", s.folder.Durable("journal"))
	j, err := journal.Open(disk)
	if err != nil {
		s.t.Errorf("the journal at the first beam: %v", err)
		return
	}
	burn, ok := j.Book().BurnOf(uuid.UUID(run))
	if !ok || !burn.Started {
		s.t.Errorf("energy was commanded for run %d, but the disk has burned %v, started %v", run[15], ok, burn.Started)
	}
}

// setPlan makes the one plan: a bed sign's outline.
func (s *shop) setPlan(tool string, purge int64) {
	s.t.Helper()
	digest, err := s.profile.Digest()
	if err != nil {
		s.t.Fatal(err)
	}
	kind, _ := s.profile.Tool(tool)
	s.plan = &plan.Plan{Planner: plan.Version, Profile: digest, Tool: tool, ToolKind: kind.Kind, Material: "card",
		Strokes: []plan.Stroke{{Operation: plan.Cut, Closed: true, SpeedUMPerS: 20_000, PowerPermille: 1000,
			Points: []geom.Point{geom.Pt(0, 0), geom.Pt(80_000, 0), geom.Pt(80_000, 30_000), geom.Pt(0, 0)}}},
		Extents: geom.Box{Max: geom.Pt(80_000, 30_000)}, Numbers: plan.Numbers{TotalMS: 10_000}, PurgeS: purge,
		SheetSize: geom.Pt(100_000, 50_000)}
	s.data, s.digest, err = s.plan.Encode()
	if err != nil {
		s.t.Fatal(err)
	}
	profileData, err := canon.Marshal(s.profile)
	if err != nil {
		s.t.Fatal(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state = broker.State{Epoch: s.epoch, Profile: digest, ProfileData: profileData}
}

// testLines is a run of n moves of a quarter second with the tool on.
func (s *shop) testLines(*plan.Plan, machine.Profile, geom.Point) iter.Seq[motion.Line] {
	return func(yield func(motion.Line) bool) {
		_ = yield(motion.Line{Text: "G0 X1.000 Y1.000"}) && yield(motion.Line{Text: "M3 S800", On: true}) && func() bool {
			for i := range s.lines {
				if !yield(motion.Line{Text: fmt.Sprintf("G1 X%d.000 Y1.000 F1200.000", i), On: true, Work: true}) {
					return false
				}
			}
			return true
		}() && yield(motion.Line{Text: "M5"})
	}
}

// opens starts the worker and waits until it has its profile and its machine.
func (s *shop) opens() {
	s.t.Helper()
	s.startsReal(s.t)
	synctest.Wait()
}

// startsReal starts the worker outside a bubble.
func (s *shop) startsReal(t *testing.T) {
	t.Helper()
	c := Config{Machine: s.machine, MachineKey: machineKey, ServerKeys: s.keys, Folder: s.folder, Clock: s.clock,
		Driver: func(machine.Profile) (driver.Driver, error) {
			m := newFakeMachine(s.edges)
			m.onEdge = s.burnIsDurable
			s.at.Store(m)
			return m, nil
		},
		Link: func(h broker.Handlers) (Link, error) {
			s.handlers = h
			return (*wire)(s), nil
		},
		Failpoint: func(name string) {
			if f, ok := s.fail.Load().(func(string)); ok {
				f(name)
			}
		},
		lines: s.testLines,
		serve: func(ctx context.Context, w *Worker) {
			w.inbox.post(evListening{up: true})
			<-ctx.Done()
		},
	}
	if s.tweak != nil {
		s.tweak(&c)
	}
	w, err := New(c)
	if err != nil {
		s.t.Fatal(err)
	}
	s.w = w
	ctx, cancel := context.WithCancel(s.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	s.stop = sync.OnceValue(func() error {
		cancel()
		return <-ended
	})
}

// closes ends the worker as a person would.
func (s *shop) closes() {
	s.t.Helper()
	if err := s.stop(); err != nil {
		s.t.Fatalf("the worker ended with %v", err)
	}
}

// dies ends the worker's process with the disk as next leaves it, and opens a new one on that.
func (s *shop) dies(next func(*journaltest.Disk) *journaltest.Disk) {
	s.t.Helper()
	disk := next(s.folder.Disk) // from here on the old process writes nothing
	_ = s.stop()                // it cannot journal any more
	s.folder = s.folder.after(disk)
	s.opens()
}

// failAt calls f, once, when the worker comes to the named step.
func (s *shop) failAt(name string, f func()) {
	once := sync.OnceFunc(f)
	s.fail.Store(func(at string) {
		if at == name {
			once()
		}
	})
}

func (s *shop) runID(n byte) uuid.UUID { return uuid.UUID{0: 0x01, 15: n} }

func (s *shop) offer(run uuid.UUID, revision int64) broker.Offer {
	return broker.Offer{Epoch: s.epoch, Machine: s.machine, Run: run, Revision: revision, Plan: s.digest,
		PlanSize: int64(len(s.data)), Profile: s.state.Profile}
}

func (s *shop) prepares(run uuid.UUID) {
	s.t.Helper()
	if err := s.handlers.Offer(s.t.Context(), s.offer(run, 1)); err != nil {
		s.t.Fatalf("offer: %v", err)
	}
	synctest.Wait()
}

func (s *shop) asks(run uuid.UUID, purpose string) broker.ChallengeAnswer {
	s.t.Helper()
	r := random()
	s.handlers.Challenge(broker.ChallengeAsk{Ask: [16]byte(r[:16]), Run: run, Purpose: purpose})
	synctest.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.challenges[len(s.challenges)-1]
}

// mayStart asks for a challenge to start the first run and wants this problem, empty for none.
func (s *shop) mayStart(want string) {
	s.t.Helper()
	if got := s.asks(s.runID(1), broker.PurposeStart); got.Problem != want {
		s.t.Fatalf("problem %q, want %q", got.Problem, want)
	}
}

func (s *shop) permitFor(run uuid.UUID, challenge [32]byte) permit.Permit {
	r := random()
	return permit.Permit{Serial: uuid.UUID(r[:16]), Run: run, Machine: s.machine, MachineKey: machineKey, Plan: s.digest,
		Placement: [32]byte{1}, Profile: s.state.Profile, Stock: [32]byte{2}, SignOff: [32]byte{3},
		OriginXUM: 10_000, OriginYUM: 10_000, SheetWUM: 100_000, SheetHUM: 50_000, Operator: uuid.UUID{9},
		Epoch: s.epoch, Challenge: challenge, AgeLimitS: 60, Attendance: canon.Sum(s.token), LogSize: 100, LogRoot: [32]byte{4}}
}

func sign[T any](s *shop, v T) []byte {
	s.t.Helper()
	msg, err := signAny(s.signer, v)
	if err != nil {
		s.t.Fatal(err)
	}
	return msg
}

func signAny(signer note.Signer, v any) ([]byte, error) {
	switch v := v.(type) {
	case permit.Permit:
		return permit.Sign(signer, v)
	case permit.Go:
		return permit.Sign(signer, v)
	case permit.Void:
		return permit.Sign(signer, v)
	case permit.Resume:
		return permit.Sign(signer, v)
	case permit.Leave:
		return permit.Sign(signer, v)
	case permit.Lockout:
		return permit.Sign(signer, v)
	case permit.Applied:
		return permit.Sign(signer, v)
	case permit.Handover:
		return permit.Sign(signer, v)
	}
	return nil, errors.New("no statement")
}

// signedPermit asks for a challenge and signs a permit that answers it.
func (s *shop) signedPermit(run uuid.UUID) ([]byte, permit.Permit) {
	s.t.Helper()
	answer := s.asks(run, broker.PurposeStart)
	if answer.Problem != "" {
		s.t.Fatalf("no challenge: %s", answer.Problem)
	}
	p := s.permitFor(run, answer.Challenge)
	return sign(s, p), p
}

func (s *shop) takenCount() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.takens)
}

func (s *shop) goFor(msg []byte, p permit.Permit, granted bool) []byte {
	s.t.Helper()
	reason := ""
	if !granted {
		reason = "voided"
	}
	return sign(s, permit.Go{Machine: s.machine, Run: p.Run, Permit: permit.Digest(msg), Challenge: p.Challenge, Granted: granted, Reason: reason})
}

// starts takes a run all the way to its first line.
func (s *shop) starts(run uuid.UUID) ([]byte, permit.Permit) {
	s.t.Helper()
	s.prepares(run)
	msg, p := s.signedPermit(run)
	s.handlers.Permit(msg)
	synctest.Wait()
	if s.takenCount() == 0 {
		s.t.Fatalf("not taken; reports %v", s.told())
	}
	s.handlers.Go(s.goFor(msg, p, true))
	time.Sleep(5*time.Second + time.Millisecond)
	synctest.Wait()
	if got := s.last(run); got.Kind != broker.ReportMoved {
		s.t.Fatalf("did not move: %v", s.told())
	}
	return msg, p
}

// told lists kinds and reasons of all reports, in order of their numbers.
func (s *shop) told() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []string
	for n := int64(1); n <= s.lastNumber; n++ {
		r, ok := s.reports[n]
		if !ok {
			out = append(out, fmt.Sprintf("%d missing", n))
			continue
		}
		out = append(out, strings.TrimSuffix(string(r.Kind)+": "+r.Reason, ": "))
	}
	return out
}

// last is the newest report about the run.
func (s *shop) last(run uuid.UUID) broker.Report {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := s.lastNumber; n > 0; n-- {
		if r, ok := s.reports[n]; ok && r.Run == run {
			return r
		}
	}
	return broker.Report{}
}

// find is the newest report of a kind about the run.
func (s *shop) find(run uuid.UUID, kind broker.ReportKind) (broker.Report, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := s.lastNumber; n > 0; n-- {
		if r, ok := s.reports[n]; ok && r.Run == run && r.Kind == kind {
			return r, true
		}
	}
	return broker.Report{}, false
}

func (s *shop) wantReport(run uuid.UUID, kind broker.ReportKind, reason string) broker.Report {
	s.t.Helper()
	r, ok := s.find(run, kind)
	if !ok || r.Reason != reason {
		s.t.Fatalf("want report %q %q, have %v", kind, reason, s.told())
	}
	return r
}

func (s *shop) wantEdges(run uuid.UUID, want int) {
	s.t.Helper()
	if got := s.edges[[16]byte(run)]; got != want {
		s.t.Fatalf("energy was commanded %d times for run %d, want %d; reports %v", got, run[15], want, s.told())
	}
}

// wantStill says that no motion line has gone out.
func (s *shop) wantStill() {
	s.t.Helper()
	if n := s.fake().moved(); n != 0 {
		s.t.Fatalf("%d motion lines went out; reports %v", n, s.told())
	}
}

func (s *shop) taps() {
	s.t.Helper()
	if taken, _ := s.w.Attend(s.t.Context(), s.token); !taken {
		s.t.Fatal("tap not taken")
	}
}

// wire is the shop as the worker's link sees it.
type wire shop

func (l *wire) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}
func (l *wire) gone() error {
	if l.linkDown {
		return broker.ErrNoBroker
	}
	return nil
}
func (l *wire) State(context.Context, broker.StateAsk) (broker.State, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state, l.gone()
}
func (l *wire) PlanChunk(_ context.Context, ask broker.PlanAsk) ([]byte, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.chunks++
	if err := l.gone(); err != nil {
		return nil, err
	}
	end := min(ask.Offset+min(ask.Length, 100), int64(len(l.data)))
	return slices.Clone(l.data[ask.Offset:end]), nil
}
func (l *wire) Report(_ context.Context, r broker.Report) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.gone(); err != nil {
		return err
	}
	if before, ok := l.reports[r.Number]; ok && r.Number > 0 {
		a, _ := canon.Marshal(before)
		b, _ := canon.Marshal(r)
		if string(a) != string(b) {
			l.t.Errorf("report %d was told twice, differently: %+v and %+v", r.Number, before, r)
		}
	}
	l.reports[r.Number] = r
	l.lastNumber = max(l.lastNumber, r.Number)
	return nil
}
func (l *wire) AnswerChallenge(a broker.ChallengeAnswer) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.challenges = append(l.challenges, a)
	return l.gone()
}
func (l *wire) Taken(t broker.Taken) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.takens = append(l.takens, t)
	return l.gone()
}
func (l *wire) AnswerSetup(r broker.SetupResult) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.results = append(l.results, r)
	return l.gone()
}
func (l *wire) Reading(broker.Reading) error { return nil }

// bubble runs f with a clock that only moves when everything waits.
func bubble(t *testing.T, f func(t *testing.T, s *shop)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t)
		s.opens()
		f(t, s)
		_ = s.stop()
	})
}
