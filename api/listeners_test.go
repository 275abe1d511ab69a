package api

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/deploy/generate"
)

// line is one event stream as it comes over a connection, read by hand: light enough for hundreds.
type line struct {
	conn net.Conn
	in   *bufio.Reader
}

// dialEvents opens a stream from one of this machine's own addresses, which are the peers that the
// server counts by, and reads its head.
func dialEvents(ctx context.Context, address, from, lastID string) (*line, string, error) {
	conn, err := (&net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, "", err
	}
	header := ""
	if lastID != "" {
		header = "Last-Event-ID: " + lastID + "\r\n"
	}
	if _, err := fmt.Fprintf(conn, "GET %s/events HTTP/1.1\r\nHost: %s\r\n%s\r\n", base, address, header); err != nil {
		return nil, "", err
	}
	l := &line{conn: conn, in: bufio.NewReaderSize(conn, 512)}
	resp, err := http.ReadResponse(l.in, nil)
	if err != nil {
		return nil, "", err
	}
	l.in = bufio.NewReaderSize(resp.Body, 512)
	return l, resp.Status, nil
}

// id reads on to the next event with an id.
func (l *line) id() (int64, error) {
	for {
		text, err := l.in.ReadString('\n')
		if err != nil {
			return 0, err
		}
		if id, ok := strings.CutPrefix(text, "id: "); ok {
			return strconv.ParseInt(strings.TrimSpace(id), 10, 64)
		}
	}
}

// reads counts the statements that read entries.
type reads struct{ n atomic.Int64 }

func (r *reads) TraceQueryStart(ctx context.Context, _ *pgx.Conn, q pgx.TraceQueryStartData) context.Context {
	if strings.Contains(q.SQL, "FROM log_entry WHERE index >=") {
		r.n.Add(1)
	}
	return ctx
}

func (r *reads) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// counting gives the server a store of its own whose reading of entries is counted.
func (w *workshop) counting(t *testing.T) *reads {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(w.URL(cluster.App))
	if err != nil {
		t.Fatal(err)
	}
	count := &reads{}
	cfg.ConnConfig.Tracer = count
	pool, err := pgxpool.NewWithConfig(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	own := w.Config
	own.Pool = pool
	store, err := db.New(own)
	if err != nil {
		t.Fatal(err)
	}
	if w.s, err = New(Config{Store: store, Floor: w.floor, Site: dbtest.Site, Log: w.s.log}); err != nil {
		t.Fatal(err)
	}
	return count
}

// lockAndLift makes so many changes that everybody may see: two entries each.
func (w *workshop) lockAndLift(t *testing.T, times int) {
	t.Helper()
	for range times {
		if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "lid hinge loose"); err != nil {
			t.Fatal(err)
		}
		if err := w.LiftLockout(t.Context(), w.Officer, w.Machine.ID, "hinge mended"); err != nil {
			t.Fatal(err)
		}
	}
}

// Memory that one listener may cost, both ends of its connection and its goroutines together: own bound.
const listenerBytes = 96 << 10

// TestListeners: 500 streams at once get every entry in order, out of one reading of the logbook for all
// of them, and cost little memory; one more than there is room for is told to come again.
func TestListeners(t *testing.T) {
	w := newWorkshop(t)
	count := w.counting(t)
	address := strings.TrimPrefix(w.serve(t), "http://")
	const listeners, changes = 500, 10
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	streams := make([]*line, listeners)
	for i := range streams {
		var err error
		var status string
		if streams[i], status, err = dialEvents(t.Context(), address, fmt.Sprintf("127.0.1.%d", 1+i/maxPerPeer), ""); err != nil || !strings.HasPrefix(status, "200") {
			t.Fatalf("listener %d: %s %v", i, status, err)
		}
		defer func() { _ = streams[i].conn.Close() }()
	}
	first := w.logSize(t)
	reads := count.n.Load()
	w.lockAndLift(t, changes)
	for i, s := range streams {
		for want := first; want < first+2*changes; want++ {
			if got, err := s.id(); err != nil || got != want {
				t.Fatalf("listener %d got entry %d, want %d: %v", i, got, want, err)
			}
		}
	}
	if n := count.n.Load() - reads; n > 4*changes {
		t.Errorf("%d readings of the logbook for %d entries and %d listeners", n, 2*changes, listeners)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	each := (int64(after.HeapAlloc+after.StackInuse) - int64(before.HeapAlloc+before.StackInuse)) / listeners
	t.Logf("%d bytes a listener", each)
	if each > listenerBytes {
		t.Errorf("a listener costs %d bytes, more than %d", each, listenerBytes)
	}
	for i := listeners; i < maxStreams; i++ {
		s, status, err := dialEvents(t.Context(), address, "127.0.2.1", "")
		if err != nil || !strings.HasPrefix(status, "200") {
			t.Fatalf("listener %d: %s %v", i, status, err)
		}
		defer func() { _ = s.conn.Close() }()
	}
	s, status, err := dialEvents(t.Context(), address, "127.0.2.2", "")
	if err != nil || !strings.HasPrefix(status, "503") {
		t.Fatalf("one listener too many: %s %v", status, err)
	}
	if err := s.conn.Close(); err != nil {
		t.Error(err)
	}
}

// narrow is a listener on which one peer's connections hold little, so that it lags as soon as it stops
// reading.
type narrow struct {
	net.Listener
	peer string
}

func (n narrow) Accept() (net.Conn, error) {
	conn, err := n.Listener.Accept()
	if err != nil {
		return nil, err
	}
	if host, _, _ := net.SplitHostPort(conn.RemoteAddr().String()); host != n.peer {
		return conn, nil
	}
	return conn, conn.(*net.TCPConn).SetWriteBuffer(4096)
}

// TestSlowListener: who stops reading is cut while the others go on, has lost nothing that came before,
// and gets the rest by Last-Event-ID.
func TestSlowListener(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	url := w.serveOn(t, narrow{l, "127.0.3.1"})
	address := strings.TrimPrefix(url, "http://")
	slow, _, err := dialEvents(t.Context(), address, "127.0.3.1", "")
	if err != nil {
		t.Fatal(err)
	}
	if err := slow.conn.(*net.TCPConn).SetReadBuffer(4096); err != nil {
		t.Fatal(err)
	}
	quick, _, err := dialEvents(t.Context(), address, "127.0.3.2", "")
	if err != nil {
		t.Fatal(err)
	}
	first := w.logSize(t)
	const changes = 400
	done := make(chan error, 1)
	go func() {
		for want := first; want < first+2*changes; want++ {
			if got, err := quick.id(); err != nil || got != want {
				done <- fmt.Errorf("the quick one got %d, want %d: %w", got, want, err)
				return
			}
		}
		done <- nil
	}()
	w.lockAndLift(t, changes)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	// Every entry has been handed out, so whoever lagged has been cut by now.
	w.s.hub.mu.Lock()
	left := len(w.s.hub.clients)
	w.s.hub.mu.Unlock()
	if left != 1 {
		t.Fatalf("%d listeners are left, want the quick one alone", left)
	}
	next := first
	for {
		got, err := slow.id()
		if err != nil {
			break // cut
		}
		if got != next {
			t.Fatalf("the slow one got %d, want %d", got, next)
		}
		next++
	}
	if next == first || next == first+2*changes {
		t.Fatalf("cut after %d of %d entries", next-first, 2*changes)
	}
	again, _, err := dialEvents(t.Context(), address, "127.0.3.1", strconv.FormatInt(next-1, 10))
	if err != nil {
		t.Fatal(err)
	}
	for ; next < first+2*changes; next++ {
		if got, err := again.id(); err != nil || got != next {
			t.Fatalf("resumed, the slow one got %d, want %d: %v", got, next, err)
		}
	}
	for _, s := range []*line{slow, quick, again} {
		if err := s.conn.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestReset: who missed more than 10,000 entries is told to read anew and goes on from there; who missed
// fewer gets them all. An id that the log has not reached, as after a restore, is answered the same way.
func TestReset(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.fill(t, 11_000)
	url := w.serve(t)
	officer := w.signedIn(t, w.Officer)
	end := w.logSize(t)
	if end < maxReplay+100 {
		t.Fatalf("only %d entries", end)
	}
	for name, last := range map[string]int64{"too far back": end - maxReplay - 50, "never reached": end + 1_000} {
		l := listen(t, url, officer, strconv.FormatInt(last, 10))
		// It names the newest entry that the follower has read, which may lag behind the log's end.
		e, before := l.until("reset")
		at, err := strconv.ParseInt(e.id, 10, 64)
		if size := w.logSize(t); err != nil || len(before) != 0 || at < end-3 || at >= size {
			t.Errorf("%s: %d events before the reset, which says %q of %d", name, len(before), e.id, size)
		}
		w.lockAndLift(t, 1)
		e, before = l.until("lockout.lifted")
		if lifted, err := strconv.ParseInt(e.id, 10, 64); err != nil || int64(len(before)) != lifted-at-1 {
			t.Errorf("%s: from the reset at %d to %q came %d events, want all in between", name, at, e.id, len(before))
		}
	}
	from := w.logSize(t) - maxReplay + 200
	l := listen(t, url, officer, strconv.FormatInt(from, 10))
	w.lockAndLift(t, 1)
	patience := time.After(60 * time.Second)
	for want := from + 1; want < w.logSize(t); want++ {
		select {
		case e := <-l.events:
			if e.id != strconv.FormatInt(want, 10) {
				t.Fatalf("entry %s, want %d", e.id, want)
			}
		case <-patience:
			t.Fatalf("entry %d did not come", want)
		}
	}
}

// fill gives the workshop a past of about so many entries.
func (w *workshop) fill(t *testing.T, entries int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), w.URL(cluster.Supervisor))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if err := generate.Fill(t.Context(), generate.Config{Size: generate.Size{Members: 3, Machines: 2, Runs: entries / 30, Entries: entries},
		Store: w.Store, Admin: w.Admin, Conn: conn, PermitSigner: w.Config.PermitSigner, LogSigner: w.Config.LogSigner, Now: time.Now()}); err != nil {
		t.Fatal(err)
	}
}
