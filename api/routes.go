package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/wire"
)

// page is one route that answers with HTML or a static file.
type page struct {
	method, path string
	roles        []role // see policy.go
	body         int64  // largest body in bytes, zero for none
	upload       bool
	metrics      bool // see policy.go
	handler      echo.HandlerFunc
}

// build makes the router: middleware in order, the generated JSON routes, the pages, and holds the
// routes to the policy matrix.
func (s *Server) build() error {
	e := echo.New()
	s.echo = e
	e.HideBanner, e.HidePort = true, true
	// The peer's address, never a header's: anybody can write X-Forwarded-For.
	e.IPExtractor = echo.ExtractIPDirect()
	e.JSONSerializer = strictJSON{}
	e.Binder = strictBinder{}
	e.HTTPErrorHandler = s.answerError
	e.Logger.SetOutput(logDiscard{})

	// The order matters: first what names and protects an answer; then what a stop passes by, since
	// it could refuse or delay it; and nothing reads a body before allow.
	e.Use(s.nameRequest, s.writeLog, s.recoverPanic, headers, s.route)
	e.Use(unlessStop(s.refuseCrossSite), unlessStop(s.identify), unlessStop(s.allow),
		unlessStop(s.limitBody), unlessStop(s.answerOnce))

	s.rules = map[routeKey]rule{}
	rules := policy()
	wire.RegisterHandlersWithBaseURL(e, wire.NewStrictHandler(s, nil), base)
	for _, p := range s.pages() {
		e.Add(p.method, p.path, p.handler)
		rules = append(rules, rule{routeKey: routeKey{p.method, p.path}, roles: p.roles, body: p.body, upload: p.upload, metrics: p.metrics})
	}
	for _, r := range rules {
		if _, twice := s.rules[r.routeKey]; twice {
			return fmt.Errorf("api: two rules for %s %s", r.method, r.path)
		}
		s.rules[r.routeKey] = r
	}
	return s.holdToPolicy()
}

// holdToPolicy finds routes without a rule and rules without a route.
func (s *Server) holdToPolicy() error {
	var problems []error
	routes := map[routeKey]bool{}
	for _, r := range s.echo.Routes() {
		key := routeKey{r.Method, r.Path}
		routes[key] = true
		if _, ok := s.rules[key]; !ok {
			problems = append(problems, fmt.Errorf("api: route %s %s is not in the policy matrix", r.Method, r.Path))
		}
	}
	for key, r := range s.rules {
		if !routes[key] {
			problems = append(problems, fmt.Errorf("api: policy row %s %s has no route", key.method, key.path))
		}
		if len(r.roles) == 0 {
			problems = append(problems, fmt.Errorf("api: policy row %s %s lets nobody in", key.method, key.path))
		}
	}
	return errors.Join(problems...)
}

// visit is one request on its way through the server.
type visit struct {
	id      uuid.UUID
	address string // the peer's
	rule    rule
	path    string // route template, empty for none
	method  string
	station []byte // SHA-256 of the station credential that came with it, nil for none
	token   []byte // SHA-256 of the session token that came with it, nil for none
}

type visitKey struct{}

func visitIn(ctx context.Context) *visit {
	if v, ok := ctx.Value(visitKey{}).(*visit); ok {
		return v
	}
	return &visit{}
}

func visitOf(c echo.Context) *visit { return visitIn(c.Request().Context()) }

// route names the visit's route for logs: method and template, never ids.
func (v *visit) route() string {
	if v.path == "" {
		return v.method + " (no route)"
	}
	return v.method + " " + v.path
}

// instance is the request as a URI.
func (v *visit) instance() string { return "urn:uuid:" + v.id.String() }

func (s *Server) nameRequest(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		id, err := uuid.NewV7()
		if err != nil {
			return err
		}
		v := &visit{id: id, address: c.RealIP(), path: c.Path(), method: c.Request().Method}
		c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), visitKey{}, v)))
		c.Response().Header().Set("X-Request-Id", id.String())
		return next(c)
	}
}

// writeLog writes one line per request: no query, no body, no header of the caller's.
func (s *Server) writeLog(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		began := time.Now()
		if err := next(c); err != nil {
			c.Error(err)
		}
		v := visitOf(c)
		level := slog.LevelInfo
		if v.method == http.MethodGet {
			level = slog.LevelDebug
		}
		s.log.Log(c.Request().Context(), level, "request", "request", v.id, "route", v.route(),
			"status", c.Response().Status, "ms", time.Since(began).Milliseconds(), "address", v.address)
		return nil
	}
}

func (s *Server) recoverPanic(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		defer func() {
			switch r := recover(); r {
			case nil:
			case http.ErrAbortHandler:
				panic(r)
			default:
				s.log.Error("panic", "request", visitOf(c).id, "panic", fmt.Sprint(r), "stack", string(debug.Stack()))
				err = fmt.Errorf("panic: %v", r)
			}
		}()
		return next(c)
	}
}

// route finds the rule. What has none is not served.
func (s *Server) route(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		v := visitOf(c)
		r, ok := s.rules[routeKey{v.method, v.path}]
		if !ok {
			if methods, known := c.Get(echo.ContextKeyHeaderAllow).(string); known {
				return &problem{status: http.StatusMethodNotAllowed, slug: "method", title: "method not allowed", allow: methods}
			}
			v.path = ""
			return errNoRoute
		}
		v.rule = r
		v.token = tokenOf(c.Request(), s.cookieName())
		v.station = s.stationTokenOf(c.Request())
		return next(c)
	}
}

// unlessStop makes a stop pass by a middleware (I5).
func unlessStop(m echo.MiddlewareFunc) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		through := m(next)
		return func(c echo.Context) error {
			if visitOf(c).rule.stop {
				return next(c)
			}
			return through(c)
		}
	}
}

// refuseCrossSite refuses what another site's page sends: state changes, and the live events.
func (s *Server) refuseCrossSite(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		req := c.Request()
		if visitOf(c).rule.stream {
			req = req.Clone(req.Context())
			req.Method = http.MethodPost // the check lets every GET pass
		}
		if err := s.cross.Check(req); err != nil {
			return fmt.Errorf("%w: %w", errCrossSite, err)
		}
		return next(c)
	}
}

// limitBody bounds the body before anything reads it.
func (s *Server) limitBody(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, req := visitOf(c).rule, c.Request()
		if req.Body == nil || req.Body == http.NoBody {
			return next(c)
		}
		if req.ContentLength > r.body && r.body > 0 {
			return &http.MaxBytesError{Limit: r.body}
		}
		if r.upload {
			release, err := s.uploads.take(req.Context())
			if err != nil {
				return err
			}
			defer release()
		}
		// A route without a body ignores what comes.
		req.Body = http.MaxBytesReader(c.Response().Writer, req.Body, r.body)
		return next(c)
	}
}

// logDiscard takes what echo's own logger says; everything of ours goes to slog.
type logDiscard struct{}

func (logDiscard) Write(p []byte) (int, error) { return len(p), nil }

// isJSON says whether a content type is JSON.
func isJSON(contentType string) bool {
	kind, _, _ := strings.Cut(contentType, ";")
	return strings.EqualFold(strings.TrimSpace(kind), "application/json")
}
