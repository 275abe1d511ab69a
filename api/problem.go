package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// Errors of the surface itself.
var (
	errNotSignedIn = errors.New("not signed in")
	errWrongSignIn = errors.New("sign-in name or password is wrong")
	errCrossSite   = errors.New("request from another site")
	errNoRoute     = errors.New("no such route")
	errScope       = errors.New("outside the token's scopes")
	errBusy        = errors.New("too much is going on")
	errStale       = errors.New("changed since it was read")
	errMediaType   = errors.New("unsupported media type")
	errPreparing   = errors.New("the same request is still being answered")
)

// problem is an error as a person sees it (RFC 9457). It is an error itself, so that a handler can
// return one.
type problem struct {
	status  int
	slug    string // last part of the type
	title   string
	detail  string
	reasons []wire.Reason
	retry   time.Duration
	allow   string // of a 405
}

func (p *problem) Error() string { return p.title }

// problemTable says what each error means to a caller; the first that matches counts.
var problemTable = []struct {
	err    error
	status int
	slug   string
	title  string
	next   string
}{
	{errNotSignedIn, http.StatusUnauthorized, "not-signed-in", "not signed in", "sign in and try again"},
	{errWrongSignIn, http.StatusUnauthorized, "wrong-sign-in", "sign-in name or password is wrong", "check both and try again"},
	{errWrongPIN, http.StatusUnauthorized, "wrong-sign-in", "sign-in name or PIN is wrong", "check both and try again"},
	{errWrongPasskey, http.StatusUnauthorized, "wrong-sign-in", "this passkey does not sign in here", "try again, or sign in with the password"},
	{db.ErrPasskeyCopied, http.StatusUnauthorized, "passkey-copied", "this passkey counts as if there were two of it", "sign in with the password, remove it on your own page and add a new one"},
	{errNoPasskeys, http.StatusConflict, "no-passkeys", "passkeys need a server that is reached by a name, over TLS", "open it by that name, or have serve started with --host and a name"},
	{errNoStation, http.StatusForbidden, "no-station", "this browser is no enrolled station", "enrol it with a code, or sign in with a password"},
	{db.ErrEnrolCode, http.StatusForbidden, "enrol-code", "this enrolment code does not hold", "codes are used once and soon expire: ask an officer for a new one"},
	{db.ErrInvitation, http.StatusForbidden, "invitation", "this invitation does not hold", "links are used once and hold seven days: ask an admin for a new one"},
	{errScope, http.StatusForbidden, "scope", "this token may not do that", "a token reads or hands in; whatever needs somebody at the machine or an admin needs a person who signs in"},
	{db.ErrKeyReplaced, http.StatusServiceUnavailable, "key-replaced", "a key of this server was replaced", "wait until the server was started again"},
	{errCrossSite, http.StatusForbidden, "cross-site", "request from another site", "use this site's own pages, or a token without a browser"},
	{errNoRoute, http.StatusNotFound, "not-found", "no such route", "see openapi.yaml for the routes"},
	{db.ErrNotAllowed, http.StatusForbidden, "not-allowed", "not allowed", "ask somebody with the role or the authorisation for it"},
	{db.ErrNotFound, http.StatusNotFound, "not-found", "not found", "check the id; it may belong to somebody else"},
	{errStale, http.StatusPreconditionFailed, "stale", "changed since it was read", "read it again and send its new ETag"},
	{db.ErrConflict, http.StatusConflict, "conflict", "somebody changed it meanwhile", "read it again and repeat"},
	{db.ErrAltered, http.StatusConflict, "altered", "a stored file is not what its digest says", "use nothing made from it; tell the admin, who can put it back from a backup"},
	{queue.ErrMoved, http.StatusConflict, "moved", "the run has moved on", "read the run again"},
	{db.ErrSignInTaken, http.StatusConflict, "sign-in-taken", "that sign-in name is taken", "choose another sign-in name"},
	{db.ErrKeyReused, http.StatusConflict, "key-reused", "the Idempotency-Key was used with another body", "make a new key for a new request"},
	{errPreparing, http.StatusConflict, "still-answering", "the same request is still being answered", "wait a moment and send it again with the same key"},
	{errMediaType, http.StatusUnsupportedMediaType, "media-type", "unsupported media type", "send the content type that openapi.yaml names"},
	{errBusy, http.StatusServiceUnavailable, "busy", "too much is going on at once", "try again in a moment"},
	{context.DeadlineExceeded, http.StatusServiceUnavailable, "too-slow", "the answer took too long", "try again in a moment"},
	{canon.ErrDigest, http.StatusBadRequest, "invalid", "not a digest", "give 64 lower-case hexadecimal digits"},
}

// problemOf turns any error into a problem. What is not known becomes "internal" without detail.
func problemOf(err error) *problem {
	var p *problem
	var floor *floorError
	var refused *db.Refused
	var refusal *plan.Refusal
	var tooLarge *http.MaxBytesError
	var limited *limitedError
	var he *echo.HTTPError
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &refused):
		p := &problem{status: http.StatusUnprocessableEntity, slug: "refused", title: "refused"}
		for _, r := range refused.Reasons {
			p.reasons = append(p.reasons, wire.Reason{What: r.What, Next: r.Next})
		}
		return p
	case errors.As(err, &refusal):
		p := &problem{status: http.StatusUnprocessableEntity, slug: "no-plan", title: "no plan can be made"}
		for _, r := range refusal.Reasons {
			p.reasons = append(p.reasons, wire.Reason{What: r.What, Next: r.Next,
				Field: optional(r.Field), Limit: optional(r.Limit), Value: optional(r.Value)})
		}
		return p
	case errors.As(err, &floor):
		p := &problem{status: http.StatusServiceUnavailable, slug: "machine", title: "the machine's worker did not do it",
			reasons: []wire.Reason{{What: floor.err.Error(), Next: floor.next}}}
		if errors.Is(err, broker.ErrWorkerSays) {
			p.status = http.StatusUnprocessableEntity // it answers, and says no
		}
		return p
	case errors.As(err, &tooLarge):
		return tooLargeProblem(tooLarge.Limit)
	case errors.As(err, &limited):
		return &problem{status: http.StatusTooManyRequests, slug: "too-many-tries", title: "too many wrong tries", retry: limited.wait,
			reasons: []wire.Reason{{What: "sign-in is closed for a while after too many wrong tries",
				Next:  fmt.Sprintf("try again in %d min", int64((limited.wait+time.Minute-1)/time.Minute)),
				Limit: optional(strconv.Itoa(limited.tries))}}}
	}
	for _, row := range problemTable {
		if errors.Is(err, row.err) {
			p := &problem{status: row.status, slug: row.slug, title: row.title,
				reasons: []wire.Reason{{What: row.title, Next: row.next}}}
			if row.status == http.StatusServiceUnavailable {
				p.retry = 5 * time.Second
			}
			return p
		}
	}
	if errors.As(err, &he) && he.Code < http.StatusInternalServerError {
		if said, ok := strings.CutPrefix(fmt.Sprint(he.Message), "Invalid format for parameter "); ok { // of the generated binders, with the types of Go
			name, _, _ := strings.Cut(said, ":")
			return &problem{status: he.Code, slug: "invalid", title: "a parameter cannot be used",
				reasons: []wire.Reason{{What: "the parameter " + name + " is not in its form", Next: "write it as the API's description says", Field: &name}}}
		}
		return &problem{status: he.Code, slug: "invalid", title: strings.ToLower(http.StatusText(he.Code)), detail: fmt.Sprint(he.Message)}
	}
	return &problem{status: http.StatusInternalServerError, slug: "internal", title: "internal error",
		reasons: []wire.Reason{{What: "something went wrong inside the server", Next: "try again; tell the admin the instance if it stays"}}}
}

// invalid is the problem of one field that cannot be used.
func invalid(field, what, next string) *problem {
	return &problem{status: http.StatusUnprocessableEntity, slug: "invalid", title: "a field cannot be used",
		reasons: []wire.Reason{{What: what, Next: next, Field: &field}}}
}

// malformed is the problem of a request that cannot be read at all.
func malformed(what string) *problem {
	return &problem{status: http.StatusBadRequest, slug: "malformed", title: "the request cannot be read",
		reasons: []wire.Reason{{What: what, Next: "send it as the API's description says"}}}
}

func tooLargeProblem(limit int64) *problem {
	return &problem{status: http.StatusRequestEntityTooLarge, slug: "too-large", title: "the request is too large",
		reasons: []wire.Reason{{What: "the body is over the limit", Next: "send a smaller file", Limit: optional(fmt.Sprintf("%d bytes", limit))}}}
}

// floorError is a worker that could not be reached or said no, with what to do next.
type floorError struct {
	err  error
	next string
}

func (e *floorError) Error() string { return "worker: " + e.err.Error() }
func (e *floorError) Unwrap() error { return e.err }

func unreached(err error) error {
	next := "look whether the machine's worker runs and is connected, then repeat"
	if errors.Is(err, broker.ErrWorkerSays) {
		next = "look at the machine, then repeat"
	}
	return &floorError{err: err, next: next}
}

// answerError is echo's error handler: the problem goes to the caller, what is ours to mend into
// the log, and a signed-in person's refusal into the logbook.
func (s *Server) answerError(err error, c echo.Context) {
	v := visitOf(c)
	p := problemOf(err)
	s.refusals.add(p.slug)
	if p.status >= http.StatusInternalServerError && !errors.Is(err, context.Canceled) || errors.Is(err, db.ErrAltered) {
		s.log.Error("request failed", "request", v.id, "route", v.route(), "status", p.status, "error", err)
	}
	if c.Response().Committed {
		return
	}
	if who, ok := personOf(c); ok {
		switch p.status {
		case http.StatusForbidden, http.StatusConflict, http.StatusPreconditionFailed, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
			s.writeRefusal(c.Request().Context(), who.Actor(), v)
		}
	}
	h := c.Response().Header()
	if p.status == http.StatusUnauthorized {
		h.Set("WWW-Authenticate", `Bearer realm="kerfgate"`)
	}
	if p.retry > 0 {
		h.Set("Retry-After", strconv.FormatInt(int64((p.retry+time.Second-1)/time.Second), 10))
	}
	if p.allow != "" {
		h.Set("Allow", p.allow)
	}
	if s.pageProblem != nil && !strings.HasPrefix(c.Request().URL.Path, base+"/") {
		if err := s.pageProblem(c, p); err != nil {
			s.log.Error("page of a problem failed", "request", v.id, "error", err)
		}
		return
	}
	if err := writeProblem(c, p, v); err != nil {
		s.log.Debug("problem not delivered", "request", v.id, "error", err)
	}
}

func writeProblem(c echo.Context, p *problem, v *visit) error {
	body := wire.Problem{Type: "/problems/" + p.slug, Title: p.title, Status: int64(p.status),
		Detail: optional(p.detail), Instance: v.instance()}
	if len(p.reasons) > 0 {
		body.Reasons = &p.reasons
	}
	data, err := c.Echo().JSONSerializer.(strictJSON).bytes(body)
	if err != nil {
		return err
	}
	return c.Blob(p.status, "application/problem+json", data)
}

func (s *Server) writeRefusal(ctx context.Context, actor db.Actor, v *visit) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer cancel()
	if err := s.noteRefusal(ctx, actor, v.route()); err != nil {
		s.log.Error("refusal not logged", "request", v.id, "route", v.route(), "error", err)
	}
}

// optional is nil for an empty text.
func optional(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}
