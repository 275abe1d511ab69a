package api

import (
	"fmt"
	"maps"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/db"
)

// refusalCount counts the answers that were no, by the problem's slug: there are as many as problem.go has.
type refusalCount struct {
	mu sync.Mutex
	by map[string]int64
}

func (r *refusalCount) add(slug string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.by == nil {
		r.by = map[string]int64{}
	}
	r.by[slug]++
}

func (r *refusalCount) all() map[string]int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return maps.Clone(r.by)
}

// localHosts are the names by which a program on this computer asks the server; a page of another site that was
// made to point here asks by its own.
var localHosts = []string{"localhost", "127.0.0.1", "::1"}

// fromThisComputer says whether a request comes from a program on the server's own computer, and was not passed
// on by a proxy there.
func fromThisComputer(r *http.Request) bool {
	peer, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil || !net.ParseIP(peer).IsLoopback() {
		return false
	}
	for _, passedOn := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(passedOn) != "" {
			return false
		}
	}
	host := r.Host
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	return slices.Contains(localHosts, strings.Trim(host, "[]"))
}

// metricsPage is GET /metrics, in the text format that Prometheus reads (exposition format 0.0.4). Numbers and
// ids alone: no name, no text that anybody typed.
func (s *Server) metricsPage(c echo.Context) error {
	ctx := c.Request().Context()
	m, err := s.store.Measure(ctx)
	if err != nil {
		return err
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, "text/plain; version=0.0.4; charset=utf-8", []byte(s.metricsText(m, machines)))
}

func (s *Server) metricsText(m db.Measures, machines []db.Machine) string {
	var b exposition
	b.metric("kerfgate_runs", "gauge", "Runs that are not closed, by machine and phase.")
	for _, o := range m.Open {
		b.value(float64(o.Count), "machine", o.Machine.String(), "phase", string(o.Phase))
	}
	waiting := map[uuid.UUID]int64{}
	for _, o := range m.Open {
		if o.Phase == "proposed" {
			waiting[o.Machine] = o.Count
		}
	}
	b.metric("kerfgate_queue_length", "gauge", "Runs that wait for a checklist, by machine.")
	for _, one := range machines {
		b.value(float64(waiting[one.ID]), "machine", one.ID.String())
	}
	b.metric("kerfgate_refusals_total", "counter", "Answers of this server that were no, by the last part of the problem's type.")
	refused := s.refusals.all()
	for _, slug := range slices.Sorted(maps.Keys(refused)) {
		b.value(float64(refused[slug]), "reason", slug)
	}
	b.metric("kerfgate_worker_heard_seconds", "gauge", "Time since a machine's worker last said anything to this server; missing where it has not.")
	for _, one := range machines {
		if at, ok := s.floor.Heard(one.ID); ok {
			b.value(s.now().Sub(at).Seconds(), "machine", one.ID.String())
		}
	}
	b.single("kerfgate_broker_connected", "gauge", "1 while this server reaches the broker.", oneIf(s.floor.Connected()))
	b.single("kerfgate_listeners", "gauge", "Open streams of live events of this server.", float64(s.hub.listeners()))
	b.single("kerfgate_logbook_entries", "gauge", "Entries of the logbook.", float64(m.LogSize))
	b.metric("kerfgate_follower_lag_entries", "gauge", "Entries that a follower of the logbook has still to read.")
	for _, name := range slices.Sorted(maps.Keys(m.Followers)) {
		b.value(float64(m.Followers[name]), "follower", name)
	}
	b.single("kerfgate_writer_batches_total", "counter", "Transactions that this server's writer put together.", float64(m.Batches))
	b.single("kerfgate_writer_changes_total", "counter", "Changes in them; divided by the batches it is the size of one.", float64(m.Changes))
	b.single("kerfgate_writer_wait_seconds_total", "counter", "Time that callers waited for their change, in all.", m.Waited.Seconds())
	b.metric("kerfgate_database_connections", "gauge", "Connections of this server to the database.")
	b.value(float64(m.Pool.Used), "state", "used")
	b.value(float64(m.Pool.Idle), "state", "idle")
	b.single("kerfgate_database_connections_most", "gauge", "How many there may be.", float64(m.Pool.Most))
	b.single("kerfgate_database_full_total", "counter", "How often no connection was free.", float64(m.Pool.Full))
	b.single("kerfgate_database_wait_seconds_total", "counter", "Time that callers waited for a connection, in all.", m.Pool.Waited.Seconds())
	b.single("kerfgate_started_seconds", "gauge", "When this server was started, Unix time.", float64(s.started.UnixNano())/float64(time.Second))
	return b.String()
}

func oneIf(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

// exposition writes metrics; labels are alternately names and values that this program or the database made.
type exposition struct {
	strings.Builder
	name string
}

func (e *exposition) metric(name, kind, help string) {
	e.name = name
	fmt.Fprintf(e, "# HELP %s %s\n# TYPE %s %s\n", name, help, name, kind)
}

func (e *exposition) value(v float64, labels ...string) {
	e.WriteString(e.name)
	for i := 0; i+1 < len(labels); i += 2 {
		sep := ","
		if i == 0 {
			sep = "{"
		}
		fmt.Fprintf(e, `%s%s="%s"`, sep, labels[i], strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(labels[i+1]))
	}
	if len(labels) > 0 {
		e.WriteString("}")
	}
	fmt.Fprintf(e, " %v\n", v)
}

func (e *exposition) single(name, kind, help string, v float64) {
	e.metric(name, kind, help)
	e.value(v)
}
