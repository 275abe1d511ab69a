package crowd

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"
)

// listener is one screen: it holds the live events and fetches its page's changing part when they
// concern it.
type listener struct {
	cfg     Config
	report  *Report
	number  int
	client  *http.Client
	machine string // empty: the board
	path    string
	wake    chan struct{}
	last    string // Last-Event-ID
}

// Both pages fetch at most once a second however much is told; the board looks every five seconds too.
const (
	atMostEvery = time.Second
	boardEvery  = 5 * time.Second
)

// newListener is the screen with that number, at an address of its own as a device has one. All of
// 127.0.0.0/8 is this computer on Linux.
func newListener(cfg Config, r *Report, number int) *listener {
	from := &net.TCPAddr{IP: net.IPv4(127, 1, byte(number/250), byte(number%250+1))}
	dialer := &net.Dialer{LocalAddr: from}
	l := &listener{cfg: cfg, report: r, number: number, wake: make(chan struct{}, 1), path: "/board/lanes",
		client: &http.Client{Transport: &http.Transport{DialContext: dialer.DialContext, MaxIdleConnsPerHost: 2}}}
	if number < cfg.Tablets {
		l.machine = cfg.Machines[number%len(cfg.Machines)].ID
		l.path = "/station/" + l.machine + "/main"
	}
	return l
}

// run listens and fetches until ctx ends; ready is called when the events are open. Whoever is cut comes
// back with what it heard last, as a browser does.
func (l *listener) run(ctx context.Context, ready func()) error {
	defer l.client.CloseIdleConnections()
	go l.fetchAgain(ctx) // ends with ctx
	for first := true; ctx.Err() == nil; first = false {
		err := l.listen(ctx, func() {
			if first {
				ready()
			}
		})
		if ctx.Err() != nil {
			return nil
		}
		if first {
			return fmt.Errorf("listen: %w", err)
		}
		l.report.fail("events", err)
		time.Sleep(2 * time.Second) // as the server asks a browser to
	}
	return nil
}

func (l *listener) listen(ctx context.Context, opened func()) error {
	req, err := http.NewRequestWithContext(ctx, "GET", l.cfg.Address+"/api/v1/events", nil)
	if err != nil {
		return err
	}
	if l.last != "" {
		req.Header.Set("Last-Event-ID", l.last)
	}
	res, err := l.client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("events answered %d", res.StatusCode)
	}
	opened()
	var kind []byte
	lines := bufio.NewReader(res.Body)
	for {
		line, err := lines.ReadSlice('\n')
		if err != nil {
			return err
		}
		line = bytes.TrimSpace(line)
		if rest, ok := bytes.CutPrefix(line, []byte("event: ")); ok {
			kind = append(kind[:0], rest...)
		} else if rest, ok := bytes.CutPrefix(line, []byte("id: ")); ok {
			l.last = string(rest)
		} else if rest, ok := bytes.CutPrefix(line, []byte("data: ")); ok && string(kind) == "entry" {
			l.entry(rest)
		}
	}
}

// entry is one that the server told of.
func (l *listener) entry(data []byte) {
	if bytes.Contains(data, []byte(`"run.proposed"`)) {
		var e struct {
			Time  time.Time `json:"time"`
			RunID string    `json:"run_id"`
		}
		if err := json.Unmarshal(data, &e); err != nil {
			l.report.fail("event", err)
			return
		}
		l.report.told(l.number, e.RunID, time.Since(e.Time))
	}
	// A station leaves alone what names another machine.
	if l.machine != "" && bytes.Contains(data, []byte(`"machine_id"`)) && !bytes.Contains(data, []byte(l.machine)) {
		return
	}
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// fetchAgain fetches the changing part: at once when told, then at most once a second.
func (l *listener) fetchAgain(ctx context.Context) {
	var often <-chan time.Time
	if l.machine == "" {
		tick := time.NewTicker(boardEvery)
		defer tick.Stop()
		often = tick.C
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-l.wake:
		case <-often:
		}
		l.fetch(ctx)
		select {
		case <-ctx.Done():
			return
		case <-time.After(atMostEvery):
		}
	}
}

func (l *listener) fetch(ctx context.Context) {
	began := time.Now()
	req, err := http.NewRequestWithContext(ctx, "GET", l.cfg.Address+l.path, nil)
	if err != nil {
		l.report.fail("fetch", err)
		return
	}
	res, err := l.client.Do(req)
	if err == nil {
		_, err = io.Copy(io.Discard, res.Body)
		_ = res.Body.Close() // read to its end
		if err == nil && res.StatusCode != http.StatusOK {
			err = fmt.Errorf("%s answered %d", l.path, res.StatusCode)
		}
	}
	if err != nil {
		if ctx.Err() == nil {
			l.report.fail("fetch", err)
		}
		return
	}
	times := &l.report.Wall
	if l.machine != "" {
		times = &l.report.Tablet
	}
	times.add(time.Since(began))
}
