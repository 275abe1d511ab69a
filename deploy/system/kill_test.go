package system_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/deploy/serve"
	"kerfgate/worker"
	"kerfgate/worker/journal"
)

// workerSteps are the worker's own steps of a start, in order.
var workerSteps = []string{"before burn", "after burn", "after taken", "after go", "before started", "after started", "first line", "after first line"}

// killing is one kill -9: of the server or of a run's worker, at a named step of the start protocol, or
// so long after Sign was pressed, perhaps after having stood still for a while first.
type killing struct {
	worker bool
	step   string
	after  time.Duration
	frozen time.Duration
}

func (k killing) String() string {
	who := "server"
	if k.worker {
		who = "worker"
	}
	switch {
	case k.step != "":
		return who + " at " + strings.TrimPrefix(k.step, "server ")
	case k.frozen > 0:
		return fmt.Sprintf("%s frozen at %s for %s", who, k.after, k.frozen)
	}
	return fmt.Sprintf("%s at %s", who, k.after)
}

// killings are every named step once, then random moments: a start takes about 8 s from Sign to the
// inspection.
func killings(r *rand.Rand, count int) (list []killing) {
	for _, step := range serve.Failpoints() {
		list = append(list, killing{step: step})
	}
	for _, step := range workerSteps {
		list = append(list, killing{worker: true, step: step})
	}
	for len(list) < count {
		k := killing{worker: r.IntN(2) == 0, after: time.Duration(r.IntN(9000)) * time.Millisecond}
		if r.IntN(4) == 0 {
			k.frozen = time.Duration(500+r.IntN(4000)) * time.Millisecond // around the 2 s in which go must come
		}
		list = append(list, k)
	}
	r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	return list[:count]
}

// killSites is how many sites are killed side by side: a start mostly waits.
const killSites = 5

// kill -9 of the server and of the worker, at each step of the start protocol and at random moments,
// 50 in all; KERFGATE_CHAOS_KILLS asks for another number, KERFGATE_CHAOS_SEED repeats one. Whatever
// the moment: the machine's own durable count of first energy is at most one a run, and never without
// both burns (I2); the run goes on to its end, or ends as interrupted and is inspected (I4), or can be
// signed anew; it costs at most one sign-off; and the logbook passes its check (I1, I3, I6, I8, I9).
func TestI2_KilledAnywhere(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("kills 50 processes")
	}
	seed := chaosNumber(t, "KERFGATE_CHAOS_SEED", rand.Uint64())
	count := int(chaosNumber(t, "KERFGATE_CHAOS_KILLS", 50))
	until := chaosUntil(t)
	t.Logf("KERFGATE_CHAOS_SEED=%d", seed)
	list := killings(rand.New(rand.NewPCG(seed, 9)), count)
	var next atomic.Int64
	var sites sync.WaitGroup
	for n := range killSites {
		// Not t.Parallel: that is for work, and here five sites mostly wait.
		sites.Go(func() {
			t.Run(fmt.Sprint("site ", n), func(t *testing.T) {
				s := newSite(t)
				if _, err := s.pool.Exec(t.Context(), `UPDATE stock SET count = count + $1`, count); err != nil {
					t.Fatal(err)
				}
				for time.Now().Before(until) {
					i := int(next.Add(1)) - 1
					if i >= len(list) {
						break
					}
					t.Run(fmt.Sprintf("%d %s", i, list[i]), func(t *testing.T) { s.killed(t, list[i]) })
				}
				s.bothBurns()
				if _, err := s.store.CheckLog(t.Context()); err != nil {
					t.Error(err)
				}
			})
		})
	}
	sites.Wait()
	t.Logf("%d of %d kills", min(int(next.Load()), len(list)), len(list))
}

// chaosNumber reads a number that `make chaos` gives.
func chaosNumber(t *testing.T, name string, otherwise uint64) uint64 {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return n
}

// chaosUntil is when no further one is begun: KERFGATE_CHAOS_FOR bounds the time.
func chaosUntil(t *testing.T) time.Time {
	t.Helper()
	text := os.Getenv("KERFGATE_CHAOS_FOR")
	if text == "" {
		return time.Now().Add(time.Hour)
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		t.Fatalf("KERFGATE_CHAOS_FOR: %v", err)
	}
	return time.Now().Add(d)
}

func (s *site) killed(t *testing.T, k killing) {
	outer := s.t
	s.t = t
	defer func() { s.t = outer }()
	thyme, rowan := s.as("thyme"), s.as("rowan")
	run := s.submit(thyme, square)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())

	victim, dir := s.server, filepath.Join(s.dir, "keys")
	if k.worker {
		victim, dir = s.worker, s.workerDir()
	}
	if k.step != "" {
		arm(t, dir, k.step)
	} else {
		go func() { // ends with the victim
			time.Sleep(k.after)
			if k.frozen > 0 {
				_ = victim.Process.Signal(syscall.SIGSTOP)
				time.Sleep(k.frozen)
			}
			_ = victim.Process.Signal(syscall.SIGKILL)
		}()
	}
	// The answer may be lost with the server; what counts is what can be read afterwards.
	signStatus, _, signErr := rowan.try("POST", "/runs/"+run+"/sign", nil, "")
	t.Logf("signing answered %d %v", signStatus, signErr)
	select {
	case <-victim.Exited:
	case <-time.After(time.Minute):
		t.Fatalf("nothing was killed (hit %v)", hit(dir))
	}
	// The killed process is replaced as an init system would; its successor outlives this subtest.
	s.t = outer
	if k.worker {
		s.startWorker()
	} else {
		s.startServer()
	}
	s.t = t

	rowan, id := s.as("rowan"), uuid.MustParse(run)
	s.afterStep(rowan, run, k.step)
	signOffs := s.toTheEnd(rowan, run)
	if signOffs > 1 {
		t.Errorf("it cost %d sign-offs, want one at most", signOffs)
	}
	edges := s.edges(id)
	final := rowan.get("/runs/" + run)
	t.Logf("ended as %s (%s), never moved %v, %d edges, %d further sign-offs", final.str("outcome"), final.str("reason"), final["never_moved"], edges, signOffs)
	if edges > 1 {
		t.Errorf("energy was first commanded %d times for one run", edges)
	}
	if edges == 1 && !s.burned(id) {
		t.Error("the machine moved without the database's burn")
	}
	if edges == 1 && final.at("never_moved") == true {
		t.Error("the machine moved, and the record says that it never did")
	}
	if final.str("outcome") == "completed" && edges != 1 {
		t.Errorf("completed with %d edges", edges)
	}
}

// afterStep holds the state that a kill at a named step must come to before anybody does anything.
func (s *site) afterStep(rowan *caller, run, step string) {
	s.t.Helper()
	id := uuid.MustParse(run)
	switch step {
	case "before burn": // F5: the permit is unused
		rowan.waitsForPhase(run, "checking", 2*time.Minute)
		if s.burned(id) || s.edges(id) != 0 {
			s.t.Errorf("F5: burned %v, %d edges before anything was burned", s.burned(id), s.edges(id))
		}
	case "after burn": // F6: burned and never moved, nothing starts again
		r := rowan.waitsForPhase(run, "inspecting", 2*time.Minute)
		if r.str("outcome") != "interrupted" || r.at("never_moved") != true || s.edges(id) != 0 {
			s.t.Errorf("F6: outcome %s, never moved %v, %d edges", r.str("outcome"), r.at("never_moved"), s.edges(id))
		}
	case "after first line": // F7: it moved; the machine loses its beam by itself, and nothing goes on
		r := rowan.waits("/runs/"+run, "its end", 2*time.Minute, func(o object) bool { return o.str("outcome") != "" })
		if r.str("outcome") != "interrupted" || r.at("never_moved") == true || !s.burned(id) {
			s.t.Errorf("F7: outcome %s, never moved %v, burned %v", r.str("outcome"), r.at("never_moved"), s.burned(id))
		}
		rowan.refused("POST", "/runs/"+run+"/resume", sawNothing, http.StatusConflict)
	}
}

// bothBurns holds the machine's own count to the worker's journal, once nobody writes there any more.
func (s *site) bothBurns() {
	s.t.Helper()
	s.worker.Kill()
	folder, err := worker.OpenFolder(filepath.Join(s.workerDir(), "journal"))
	if err != nil {
		s.t.Fatal(err)
	}
	defer folder.Close()
	book, err := journal.Open(folder)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, r := range s.runs() {
		burn, burned := book.Book().BurnOf(r)
		if s.edges(r) > 0 && (!burned || !burn.Started) {
			s.t.Errorf("run %s moved, and the journal says burned %v, started %v", r, burned, burn.Started)
		}
	}
	if err := book.Close(); err != nil {
		s.t.Error(err)
	}
}

// square is a small drawing that takes little time.
const square = `<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="30mm" viewBox="0 0 30 30">
<rect x="5" y="5" width="20" height="20" fill="none" stroke="black"/></svg>`

// submit hands in a drawing that is cut in plywood on the lidded cutter and returns its one run.
func (s *site) submit(thyme *caller, svg string) string {
	drawing := thyme.handIn("drawing.svg", []byte(svg))
	plywood := at(thyme.get("/materials").list("materials"), "name", "poplar plywood")
	lot := at(plywood.list("stock"), "lot", "P118").str("id")
	plan := thyme.post("/plans", object{"drawing_id": drawing.str("id"), "machine_id": s.machine.ID, "tool": "beam",
		"material_id": plywood.str("id"), "stock_id": lot, "default_operation": "cut"})
	return thyme.post("/jobs", object{"title": "drawer front", "plan": plan.str("digest"), "machine_id": s.machine.ID, "stock_id": lot, "copies": 1}).list("runs")[0].str("id")
}

// toTheEnd brings a run to closed from wherever it is and says how many further sign-offs it took.
func (s *site) toTheEnd(rowan *caller, run string) (signOffs int) {
	s.t.Helper()
	deadline := time.Now().Add(3 * time.Minute)
	for time.Now().Before(deadline) {
		switch r := rowan.get("/runs/" + run); r.str("phase") {
		case "closed":
			return signOffs
		case "proposed":
			toTheGate(rowan, run)
			answerAll(rowan, run, plywoodAnswers())
		case "checking":
			// A voided permit took the answers with it; the sheet stays placed, the machine may not be.
			rowan.waits("/runs/"+run, "its worker to be ready", 30*time.Second, func(o object) bool { return o.at("ready") == true })
			rowan.put("/runs/"+run+"/placement", object{"supply_off": true})
			if status, _, err := rowan.try("POST", "/runs/"+run+"/setup", object{"kind": "home", "on_mark": true}, "application/json"); err != nil || status >= 300 {
				time.Sleep(200 * time.Millisecond) // the worker is still coming up
				continue
			}
			rowan.put("/runs/"+run+"/placement", object{"origin_x_mm": 20, "origin_y_mm": 20})
			answerAll(rowan, run, plywoodAnswers())
			if status, answer, err := rowan.try("POST", "/runs/"+run+"/sign", nil, ""); err == nil && status < 300 {
				signOffs++
			} else {
				s.t.Logf("signing again: %d %v %s", status, err, answer)
				time.Sleep(200 * time.Millisecond)
			}
		case "inspecting":
			if status, answer, err := rowan.try("POST", "/runs/"+run+"/inspection", inspection("scrapped"), "application/json"); err != nil || status != http.StatusOK {
				s.t.Fatalf("inspection: %d %v %s", status, err, answer)
			}
		default:
			time.Sleep(100 * time.Millisecond) // permitted to purging: time or the worker moves it on
		}
	}
	s.t.Fatalf("the run did not end within three minutes: %v", rowan.get("/runs/"+run))
	return signOffs
}
