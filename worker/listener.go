package worker

import (
	"context"
	"crypto/subtle"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// Bounds of the listener.
const (
	attendBytes  = 1 << 10
	headerBytes  = 8 << 10
	requestWait  = 5 * time.Second
	idleWait     = 60 * time.Second
	listenerStop = time.Second
)

// stopAnswer is what POST /stop answers: when off was sent and how long that took.
type stopAnswer struct {
	OffSent time.Time `json:"off_sent"`
	MS      int64     `json:"ms"`
	Problem string    `json:"problem,omitempty"`
}

// attendBody is what POST /attend takes: the attendance token as it was handed out at the signature.
type attendBody struct {
	Token string `json:"token"`
}

type attendAnswer struct {
	Taken       bool  `json:"taken"`
	AttendanceS int64 `json:"attendance_s"`
}

// Handler is the worker's own listener: stop, attendance, status, for the station on the same
// network. It needs no server, can neither start nor resume, and knows nothing else.
func (w *Worker) Handler() http.Handler {
	return http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		switch {
		case r.URL.Path == "/stop" && r.Method == http.MethodPost:
			s := w.Stop() // before anything else, and whoever asks
			if !w.allow(rw, r) {
				return
			}
			a := stopAnswer{OffSent: s.OffSent.UTC(), MS: s.Took.Milliseconds()}
			if s.Err != nil {
				a.Problem = s.Err.Error()
			}
			answer(rw, a)
		case r.URL.Path == "/attend" && r.Method == http.MethodPost:
			if w.allow(rw, r) {
				w.attend(rw, r)
			}
		case r.URL.Path == "/status" && r.Method == http.MethodGet:
			if w.allow(rw, r) {
				answer(rw, w.Reading())
			}
		case r.Method == http.MethodOptions && (r.URL.Path == "/stop" || r.URL.Path == "/attend" || r.URL.Path == "/status"):
			if w.allow(rw, r) {
				rw.WriteHeader(http.StatusNoContent)
			}
		default:
			http.NotFound(rw, r)
		}
	})
}

// allow answers the one web origin that may read what the listener says, and whoever is no browser. A
// page of another origin is told nothing.
func (w *Worker) allow(rw http.ResponseWriter, r *http.Request) bool {
	h := rw.Header()
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Add("Vary", "Origin")
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	if w.cfg.Origin == "" || subtle.ConstantTimeCompare([]byte(origin), []byte(w.cfg.Origin)) != 1 {
		http.Error(rw, "only this site's own pages are answered", http.StatusForbidden)
		return false
	}
	h.Set("Access-Control-Allow-Origin", w.cfg.Origin)
	if r.Method == http.MethodOptions {
		h.Set("Access-Control-Allow-Methods", "GET, POST")
		h.Set("Access-Control-Allow-Headers", "Content-Type")
		h.Set("Access-Control-Max-Age", "600")
		if r.Header.Get("Access-Control-Request-Private-Network") == "true" {
			h.Set("Access-Control-Allow-Private-Network", "true")
		}
	}
	return true
}

func (w *Worker) attend(rw http.ResponseWriter, r *http.Request) {
	var body attendBody
	d := json.NewDecoder(http.MaxBytesReader(rw, r.Body, attendBytes))
	d.DisallowUnknownFields()
	if err := d.Decode(&body); err != nil {
		http.Error(rw, "want {\"token\": the attendance token}", http.StatusBadRequest)
		return
	}
	taken, left := w.Attend(r.Context(), []byte(body.Token))
	if !taken {
		rw.WriteHeader(http.StatusForbidden)
	}
	answer(rw, attendAnswer{Taken: taken, AttendanceS: left})
}

func answer(rw http.ResponseWriter, what any) {
	rw.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(rw).Encode(what) // the caller has gone; a stop has been sent all the same
}

// Attend takes one tap: whether the token is that of the run, and the seconds until the next is
// missed, −1 when none is asked now.
func (w *Worker) Attend(ctx context.Context, token []byte) (taken bool, leftS int64) {
	result := make(chan tapResult, 1)
	w.inbox.post(evTap{token: token, done: func(r tapResult) { result <- r }})
	select {
	case r := <-result:
		return r.taken, r.leftS
	case <-ctx.Done():
		return false, -1
	}
}

// errPlain is the error of a listener without TLS that others than this computer would reach.
var errPlain = errors.New("the stop and attendance listener speaks plain HTTP on loopback only")

// open listens, and waits for what it serves with.
func (w *Worker) open(ctx context.Context) (net.Listener, error) {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", w.cfg.Listen)
	if err != nil {
		return nil, err
	}
	var config *tls.Config
	if w.cfg.Secure != nil {
		config, err = w.cfg.Secure(ctx, l.Addr())
	}
	if tcp, ok := l.Addr().(*net.TCPAddr); err == nil && config == nil && !(ok && tcp.IP.IsLoopback()) {
		err = errPlain
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	if config != nil {
		l = tls.NewListener(l, config)
	}
	return l, nil
}

func (w *Worker) listen(ctx context.Context) {
	l, err := w.open(ctx)
	if err != nil {
		if ctx.Err() == nil {
			w.inbox.post(evFatal{err: fmt.Errorf("the stop and attendance listener: %w", err)})
		}
		return
	}
	server := &http.Server{
		Handler:           w.Handler(),
		ReadHeaderTimeout: requestWait,
		ReadTimeout:       requestWait,
		WriteTimeout:      requestWait,
		IdleTimeout:       idleWait,
		MaxHeaderBytes:    headerBytes,
		ErrorLog:          slog.NewLogLogger(w.cfg.Log.Handler(), slog.LevelDebug),
		BaseContext:       func(net.Listener) context.Context { return ctx },
	}
	w.inbox.post(evListening{up: true})
	if w.cfg.Listening != nil {
		w.cfg.Listening(l.Addr().String())
	}
	done := make(chan error, 1)
	w.group.Go(func() { done <- server.Serve(l) })
	select {
	case err = <-done:
		w.inbox.post(evListening{})
		w.inbox.post(evFatal{err: fmt.Errorf("the stop and attendance listener: %w", err)})
	case <-ctx.Done():
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), listenerStop)
		defer cancel()
		if err := server.Shutdown(closing); err != nil && !errors.Is(err, context.DeadlineExceeded) {
			w.warn("closing the listener", err)
		}
		w.warn("closing the listener", server.Close())
		if err := <-done; !errors.Is(err, http.ErrServerClosed) {
			w.warn("closing the listener", err)
		}
	}
}
