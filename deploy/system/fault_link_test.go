package system_test

import (
	"io"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
)

// longFront runs for about two minutes at real speed.
const longFront = `<svg xmlns="http://www.w3.org/2000/svg" width="280mm" height="180mm" viewBox="0 0 280 180">
<rect x="1" y="1" width="278" height="178" fill="none" stroke="black"/><rect x="20" y="20" width="200" height="120" fill="none" stroke="black"/></svg>`

// realSpeed has the simulated machine run no faster than its plan.
func (s *site) realSpeed() {
	s.t.Helper()
	profile := s.machine.Profile
	profile.Driver.MotionScale = 1
	if _, err := s.store.PublishProfile(s.t.Context(), db.System, s.machine.ID, profile); err != nil {
		s.t.Fatal(err)
	}
}

// F11: Postgres goes away in the middle of a run. The run goes on, taps at its worker are heard, and it
// is stopped at once, there and by the server that has no database; what happened is told afterwards.
func TestF11_PostgresGoneWhileRunning(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("makes a database of its own")
	}
	dir := filepath.Join(dbtest.Folder(t), "postgres")
	up := func() (*cluster.Cluster, func()) {
		pg, err := cluster.New(cluster.Config{Dir: dir})
		if err != nil {
			t.Fatal(err)
		}
		return pg, background(t, pg.Run, pg.Ready())
	}
	pg, down := up()
	if err := migrate(t.Context(), pg); err != nil {
		t.Fatal(err)
	}
	s := newSiteOn(t, pg, cluster.Database)
	s.realSpeed()
	thyme, rowan := s.as("thyme"), s.as("rowan")
	run := s.submit(thyme, longFront)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	signed := rowan.post("/runs/"+run+"/sign", nil)
	rowan.waitsForPhase(run, "running", 30*time.Second)
	s.pool.Close()
	down()
	before := status(t, signed.str("worker_url")).num("done_ms")
	attend(t, signed)
	waitFor(t, "the run to go on without a database", func() bool {
		now := status(t, signed.str("worker_url"))
		return now.str("phase") == "running" && now.num("done_ms") > before && now.at("tool_on") == true
	})
	began := time.Now()
	if status, answer, err := rowan.try("POST", "/machines/"+s.machine.ID.String()+"/stop", nil, ""); err != nil || status >= 300 {
		t.Errorf("the server's stop: %d %v %s", status, err, answer)
	}
	waitFor(t, "the tool to be off", func() bool { return status(t, signed.str("worker_url")).at("tool_on") == false })
	t.Logf("off, and answered, %s after the press", time.Since(began))
	s.pg, _ = up()
	s.server.Kill()
	s.startServer() // the database has another socket now
	s.pool, s.store = s.open()
	r := rowan.waits("/runs/"+run, "its end to be told", time.Minute, func(o object) bool { return o.str("outcome") != "" })
	if r.str("outcome") != "stopped" || s.edges(uuid.MustParse(run)) != 1 {
		t.Errorf("it ended %s, with %d edges", r.str("outcome"), s.edges(uuid.MustParse(run)))
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// cable passes bytes on between a worker and the broker until it is told to swallow them.
type cable struct {
	mu      sync.Mutex
	swallow bool
	lag     time.Duration
}

func (c *cable) set(swallow bool, lag time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.swallow, c.lag = swallow, lag
}

func (c *cable) pass(to, from net.Conn) {
	defer to.Close()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		if err != nil {
			return
		}
		c.mu.Lock()
		swallow, lag := c.swallow, c.lag
		c.mu.Unlock()
		if swallow {
			continue // no end, no reset: the far side hears nothing
		}
		time.Sleep(lag) // a slow cable is slow in real time
		if _, err := to.Write(buffer[:n]); err != nil {
			return
		}
	}
}

// workerBehind starts a worker that reaches the broker by the cable.
func (s *site) workerBehind(c *cable) {
	s.t.Helper()
	s.worker = start(s.t, "listening ", []string{"worker", "--dir", s.workerDir(), "--machine", s.machine.ID.String(), "--broker", s.throughCable(c), "--origin", s.address()})
}

// throughCable listens for the worker and gives the address.
func (s *site) throughCable(c *cable) string {
	s.t.Helper()
	broker, err := url.Parse(s.broker.URL())
	if err != nil {
		s.t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.t.Fatal(err)
	}
	var open []io.Closer
	var mu sync.Mutex
	var all sync.WaitGroup
	all.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", broker.Host)
			if err != nil {
				near.Close()
				continue
			}
			mu.Lock()
			open = append(open, near, far)
			mu.Unlock()
			all.Go(func() { c.pass(far, near) })
			all.Go(func() { c.pass(near, far) })
		}
	})
	s.t.Cleanup(func() {
		l.Close()
		mu.Lock()
		for _, o := range open {
			o.Close()
		}
		mu.Unlock()
		all.Wait()
	})
	return "nats://" + l.Addr().String()
}

// F14, F15: the worker's link to the broker is slow, a tenth of a second for each piece, while a run starts, and then
// half open: bytes vanish and nobody is told. The run starts once, goes on under attendance, is stopped
// by its worker within 250 ms, and its end is told when the link is back.
func TestF14_F15_LinkSlowThenHalfOpen(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits in real time")
	}
	s := newSite(t)
	s.realSpeed()
	thyme, rowan := s.as("thyme"), s.as("rowan")
	s.worker.Kill()
	c := &cable{}
	s.workerBehind(c)
	run := s.submit(thyme, longFront)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	c.set(false, 100*time.Millisecond)
	signed := rowan.post("/runs/"+run+"/sign", nil)
	rowan.waits("/runs/"+run, "motion, or a refusal", 40*time.Second, func(o object) bool { return o.str("phase") == "running" })
	c.set(true, 0)
	attend(t, signed)
	before := status(t, signed.str("worker_url")).num("done_ms")
	waitFor(t, "the run to go on", func() bool { return status(t, signed.str("worker_url")).num("done_ms") > before+5000 })
	began := time.Now()
	res, err := http.Post(signed.str("worker_url")+"/stop", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if took := time.Since(began); took > 250*time.Millisecond || res.StatusCode != http.StatusOK {
		t.Errorf("stop answered %s after %s", res.Status, took)
	}
	waitFor(t, "the tool to be told off", func() bool { return status(t, signed.str("worker_url")).at("tool_on") == false })
	c.set(false, 0)
	r := rowan.waits("/runs/"+run, "its end to be told", time.Minute, func(o object) bool { return o.str("outcome") != "" })
	if r.str("outcome") != "stopped" || s.edges(uuid.MustParse(run)) != 1 {
		t.Errorf("it ended %s, with %d edges", r.str("outcome"), s.edges(uuid.MustParse(run)))
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// F15: the link takes two seconds for each piece, as long as the server waits for a challenge and the worker for its go.
// No signature makes a false start; when the link is as it was the run starts, once. A loss on a link of TCP is such a
// delay.
func TestF15_LinkTwoSecondsLate(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits in real time")
	}
	s := newSite(t)
	thyme, rowan := s.as("thyme"), s.as("rowan")
	s.worker.Kill()
	c := &cable{}
	s.workerBehind(c)
	run := s.submit(thyme, longFront)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	c.set(false, 2*time.Second)
	for range 2 {
		status, answer, err := rowan.try("POST", "/runs/"+run+"/sign", nil, "")
		t.Logf("signed over the late link: %d %v %.120s", status, err, answer)
		time.Sleep(5 * time.Second) // whatever came of it had its time
		if n := s.edges(uuid.MustParse(run)); n != 0 {
			t.Fatalf("%d edges over a link that is later than anybody waits", n)
		}
	}
	c.set(false, 0)
	s.toTheEnd(rowan, run)
	if n := s.edges(uuid.MustParse(run)); n > 1 {
		t.Errorf("%d edges", n)
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}
