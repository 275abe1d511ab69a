// Package crowd is a busy site seen from outside: stations and wall screens that hold their live events and
// fetch their changing part as their scripts do, while members hand in. It asserts nothing.
package crowd

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
)

// Config is what is done to which server.
type Config struct {
	Address   string   // http://host:port
	Members   []string // tokens of those who hand in
	Pieces    []Piece  // handed in turn by turn
	Machines  []Machine
	Tablets   int     // stations, spread over the machines
	Walls     int     // boards
	PerSecond float64 // submissions
	Anew      int     // of so many submissions one is planned anew; the others repeat a plan that its member has
	For       time.Duration
	// Waiting is how many of the jobs wait at most; then each further one has the oldest withdrawn by its
	// member, as a change of its own. A queue stays as long as one that people work off.
	Waiting int
	// Every is called with what was measured so far, each so often. Nil for nobody.
	Every  func(*Report)
	Period time.Duration
}

// Piece is a drawing and what becomes of it.
type Piece struct {
	Title, File, Machine, Stock, Tool, Default string
	Data                                       []byte
	Operations                                 map[string]string
}

// Machine is where stations stand. Stop is pressed at each in turn, once a second, at the server and, where
// it has one, at the worker.
type Machine struct{ ID, Worker string }

// Report is what was measured.
type Report struct {
	Began time.Time

	mu        sync.Mutex
	numbers   map[string]int // of the runs, as they became known here
	submitted []int
	withdrawn int
	notSent   int
	failures  []string
	failed    int
	heard     []set // by listener: runs that it was told of
	again     int   // runs told twice to one listener

	Planned, Repeated          Times // submissions; the first with a plan made for it
	Withdraw                   Times
	Told, Tablet, Wall         Times
	StopAtServer, StopAtWorker Times
}

// Times are how long each of something took.
type Times struct {
	mu  sync.Mutex
	all []time.Duration
}

func (t *Times) add(d time.Duration) {
	t.mu.Lock()
	t.all = append(t.all, d)
	t.mu.Unlock()
}

// At is how many there are, and what so much of them stayed under; zero where there is none.
func (t *Times) At(share float64) (n int, d time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.all) == 0 {
		return 0, 0
	}
	slices.Sort(t.all)
	return len(t.all), t.all[int(float64(len(t.all)-1)*share)]
}

// set holds small numbers, a bit each.
type set []uint64

func (s set) has(n int) bool { return n/64 < len(s) && s[n/64]&(1<<(n%64)) != 0 }

func (s *set) put(n int) {
	for n/64 >= len(*s) {
		*s = append(*s, 0)
	}
	(*s)[n/64] |= 1 << (n % 64)
}

// number needs the lock.
func (r *Report) number(run string) int {
	n, known := r.numbers[run]
	if !known {
		n = len(r.numbers)
		r.numbers[run] = n
	}
	return n
}

// told notes that a listener was told of a run.
func (r *Report) told(listener int, run string, after time.Duration) {
	r.Told.add(after)
	r.mu.Lock()
	defer r.mu.Unlock()
	n := r.number(run)
	if r.heard[listener].has(n) {
		r.again++
	}
	r.heard[listener].put(n)
}

func (r *Report) fail(what string, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.failed++; len(r.failures) < 10 {
		r.failures = append(r.failures, fmt.Sprintf("%s: %v", what, err))
	}
}

// Failures are how many requests failed and the first of them in words.
func (r *Report) Failures() (int, []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.failed, slices.Clone(r.failures)
}

// Handed is how many jobs came in, how many were withdrawn again, and how many could not even be sent,
// since too many were under way.
func (r *Report) Handed() (submitted, withdrawn, notSent int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.submitted), r.withdrawn, r.notSent
}

// Untold is how many runs have not been told to a listener, over all listeners, and how many twice to one.
func (r *Report) Untold() (missed, twice int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, h := range r.heard {
		for _, n := range r.submitted {
			if !h.has(n) {
				missed++
			}
		}
	}
	return missed, r.again
}

// underWay bounds how many submissions wait for their answer at once.
const underWay = 256

// Run holds the listeners, hands in for a while, and waits until all were told, ten seconds at most.
func Run(ctx context.Context, cfg Config) (*Report, error) {
	r := &Report{numbers: map[string]int{}, heard: make([]set, cfg.Tablets+cfg.Walls)}
	chosen, err := cfg.prepare(ctx)
	if err != nil {
		return nil, err
	}
	listening, stop := context.WithCancel(ctx)
	defer stop()
	var ready sync.WaitGroup
	group, listening := errgroup.WithContext(listening)
	for i := range r.heard {
		l := newListener(cfg, r, i)
		ready.Add(1)
		group.Go(func() error { return l.run(listening, ready.Done) })
	}
	joined := make(chan struct{})
	go func() { ready.Wait(); close(joined) }()
	select {
	case <-joined:
	case <-listening.Done():
		return nil, group.Wait()
	}
	r.Began = time.Now()
	busy, end := context.WithTimeout(listening, cfg.For)
	defer end()
	group.Go(func() error { cfg.pressStop(busy, r); return nil })
	group.Go(func() error { cfg.tell(busy, r); return nil })
	cfg.handIn(ctx, busy, r, chosen)
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline) && ctx.Err() == nil; time.Sleep(100 * time.Millisecond) {
		if missed, _ := r.Untold(); missed == 0 {
			break // nothing tells when the last listener has heard
		}
	}
	stop()
	return r, group.Wait()
}

// choice is a piece as one member has it planned.
type choice struct {
	member string
	title  string
	body   map[string]any
	plan   string
}

// prepare has each member's drawings received and planned, which a member does once.
func (c Config) prepare(ctx context.Context) (all []choice, err error) {
	for _, p := range c.Pieces {
		for _, m := range c.Members {
			var drawing struct{ ID string }
			if err := c.call(ctx, m, "POST", "/drawings?name="+p.File, "image/svg+xml", p.Data, &drawing); err != nil {
				return nil, err
			}
			w := choice{member: m, title: p.Title, body: map[string]any{"drawing_id": drawing.ID, "machine_id": p.Machine, "tool": p.Tool,
				"stock_id": p.Stock, "default_operation": p.Default, "operations": p.Operations}}
			if w.plan, err = c.makePlan(ctx, w); err != nil {
				return nil, err
			}
			all = append(all, w)
		}
	}
	return all, nil
}

// handIn plans and submits at the rate asked for, whatever the server is able to: a submission counts
// from the moment at which it was due.
func (c Config) handIn(ctx, busy context.Context, r *Report, chosen []choice) {
	type job struct{ id, member string }
	var mu sync.Mutex
	var waiting []job
	slots := make(chan struct{}, underWay)
	var wait sync.WaitGroup
	defer wait.Wait()
	for n := 0; ; n++ {
		due := r.Began.Add(time.Duration(float64(n) / c.PerSecond * float64(time.Second)))
		select {
		case <-busy.Done():
			return
		case <-time.After(time.Until(due)):
		}
		select {
		case slots <- struct{}{}:
		default:
			r.mu.Lock()
			r.notSent++
			r.mu.Unlock()
			continue
		}
		wait.Go(func() {
			defer func() { <-slots }()
			w := chosen[n*7%len(chosen)] // 7 divides no count of them, so that what is planned anew changes
			id, err := c.submit(ctx, r, w, n%c.Anew == 0, due)
			if err != nil {
				r.fail("submission", err)
				return
			}
			mu.Lock()
			waiting = append(waiting, job{id, w.member})
			var oldest job
			if len(waiting) > c.Waiting {
				oldest, waiting = waiting[0], waiting[1:]
			}
			mu.Unlock()
			if oldest.id == "" {
				return
			}
			began := time.Now()
			if err := c.call(ctx, oldest.member, "POST", "/jobs/"+oldest.id+"/withdraw", "", nil, nil); err != nil {
				r.fail("withdrawal", err)
				return
			}
			r.Withdraw.add(time.Since(began))
			r.mu.Lock()
			r.withdrawn++
			r.mu.Unlock()
		})
	}
}

func (c Config) makePlan(ctx context.Context, w choice) (digest string, err error) {
	var plan struct{ Digest string }
	err = c.json(ctx, w.member, "/plans", w.body, &plan)
	return plan.Digest, err
}

func (c Config) submit(ctx context.Context, r *Report, w choice, anew bool, due time.Time) (job string, err error) {
	plan, times := w.plan, &r.Repeated
	if anew {
		times = &r.Planned
		if plan, err = c.makePlan(ctx, w); err != nil {
			return "", err
		}
	}
	var done struct {
		ID   string
		Runs []struct{ ID string }
	}
	if err := c.json(ctx, w.member, "/jobs", map[string]any{"title": w.title, "plan": plan, "machine_id": w.body["machine_id"], "stock_id": w.body["stock_id"], "copies": 1}, &done); err != nil {
		return "", err
	}
	times.add(time.Since(due))
	r.mu.Lock()
	for _, run := range done.Runs {
		r.submitted = append(r.submitted, r.number(run.ID))
	}
	r.mu.Unlock()
	return done.ID, nil
}

// pressStop presses Stop run at one machine after the other, once a second.
func (c Config) pressStop(ctx context.Context, r *Report) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		m := c.Machines[n%len(c.Machines)]
		for _, at := range []struct {
			address string
			times   *Times
		}{{c.Address + "/api/v1/machines/" + m.ID, &r.StopAtServer}, {m.Worker, &r.StopAtWorker}} {
			if at.address == "" {
				continue
			}
			began := time.Now()
			if err := request(ctx, http.DefaultClient, "", "POST", at.address+"/stop", "", nil, nil); err != nil {
				if ctx.Err() == nil {
					r.fail("stop", err)
				}
				continue
			}
			at.times.add(time.Since(began))
		}
	}
}

func (c Config) tell(ctx context.Context, r *Report) {
	if c.Every == nil {
		return
	}
	tick := time.NewTicker(c.Period)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			c.Every(r)
		}
	}
}

func (c Config) json(ctx context.Context, token, path string, body, into any) error {
	data, err := json.Marshal(body)
	if err != nil {
		return err
	}
	return c.call(ctx, token, "POST", path, "application/json", data, into)
}

func (c Config) call(ctx context.Context, token, method, path, kind string, body []byte, into any) error {
	return request(ctx, members, token, method, c.Address+"/api/v1"+path, kind, body, into)
}

// members are programs of their own, each with a connection that it keeps.
var members = &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: underWay}, Timeout: time.Minute}

func request(ctx context.Context, client *http.Client, token, method, address, kind string, body []byte, into any) error {
	req, err := http.NewRequestWithContext(ctx, method, address, bytes.NewReader(body))
	if err != nil {
		return err
	}
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		return err
	}
	if res.StatusCode >= 300 {
		return fmt.Errorf("%s %s: %d %s", method, address, res.StatusCode, strings.TrimSpace(string(data)))
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(data, into)
}
