package system_test

import (
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/deploy/serve"
)

// workerSteps are the worker's own steps of a start, in order.
var workerSteps = []string{"before burn", "after burn", "after taken", "after go", "before started", "after started", "first line", "after first line"}

// kill -9 of the server and of the worker, once at each step of the start protocol. Whatever the
// step: the machine's own durable count of first energy is at most one a run, and never without
// both burns (I2); the run goes on to its end, or ends as interrupted and is inspected (I4), or can
// be signed anew; it costs at most one sign-off; and the logbook passes its check.
func TestI2_KilledAtEachStep(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("kills two dozen processes")
	}
	s := newSite(t)
	serverDir := filepath.Join(s.dir, "keys")
	for _, step := range serve.Failpoints() {
		t.Run(step, func(t *testing.T) { s.killedAt(t, serverDir, step, func() *process { return s.server }, s.startServer) })
	}
	for _, step := range workerSteps {
		t.Run("worker "+step, func(t *testing.T) {
			s.killedAt(t, s.workerDir(), step, func() *process { return s.worker }, s.startWorker)
		})
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

func (s *site) killedAt(t *testing.T, dir, step string, victim func() *process, again func()) {
	outer := s.t
	s.t = t
	defer func() { s.t = outer }()
	thyme, rowan := s.as("thyme"), s.as("rowan")
	run := s.submit(thyme, square)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())

	arm(t, dir, step)
	// The answer may be lost with the server; what counts is what can be read afterwards.
	signStatus, _, signErr := rowan.try("POST", "/runs/"+run+"/sign", nil, "")
	t.Logf("signing answered %d %v", signStatus, signErr)
	select {
	case <-victim().exited:
	case <-time.After(time.Minute):
		t.Fatalf("nothing was killed at %q (hit %v)", step, hit(dir))
	}
	// The killed process is replaced as an init system would; its successor outlives this subtest.
	s.t = outer
	again()
	s.t = t

	rowan, id := s.as("rowan"), uuid.MustParse(run)
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
	if final.str("outcome") == "completed" && edges != 1 {
		t.Errorf("completed with %d edges", edges)
	}
}

// square is a small drawing that takes little time.
const square = `<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="30mm" viewBox="0 0 30 30">
<rect x="5" y="5" width="20" height="20" fill="none" stroke="black"/></svg>`

// submit hands in a drawing that is cut in plywood on the lidded cutter and returns its one run.
func (s *site) submit(thyme *caller, svg string) string {
	drawing := thyme.handIn("drawing.svg", []byte(svg))
	plywood := at(thyme.get("/materials").list("materials"), "name", "poplar plywood")
	plan := thyme.post("/plans", object{"drawing_id": drawing.str("id"), "machine_id": s.machine.ID, "tool": "beam",
		"material_id": plywood.str("id"), "stock_id": at(plywood.list("stock"), "lot", "P118").str("id"), "default_operation": "cut"})
	return thyme.post("/jobs", object{"title": "drawer front", "plan": plan.str("digest"), "copies": 1}).list("runs")[0].str("id")
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
			if status, _, err := rowan.try("POST", "/runs/"+run+"/setup", object{"kind": "home"}, "application/json"); err != nil || status >= 300 {
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
