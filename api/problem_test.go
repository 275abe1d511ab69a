package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

func TestProblemTable(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		err    error
		status int
		slug   string
	}{
		{db.ErrNotFound, http.StatusNotFound, "not-found"},
		{db.ErrConflict, http.StatusConflict, "conflict"},
		{errStale, http.StatusPreconditionFailed, "stale"},
		{fmt.Errorf("run 7: %w", queue.ErrMoved), http.StatusConflict, "moved"},
		{db.ErrNotAllowed, http.StatusForbidden, "not-allowed"},
		{db.ErrSignInTaken, http.StatusConflict, "sign-in-taken"},
		{db.ErrKeyReused, http.StatusConflict, "key-reused"},
		{errNotSignedIn, http.StatusUnauthorized, "not-signed-in"},
		{context.DeadlineExceeded, http.StatusServiceUnavailable, "too-slow"},
		{unreached(broker.ErrNoWorker), http.StatusServiceUnavailable, "machine"},
		{unreached(fmt.Errorf("%w: lid open", broker.ErrWorkerSays)), http.StatusUnprocessableEntity, "machine"},
		{&http.MaxBytesError{Limit: 9}, http.StatusRequestEntityTooLarge, "too-large"},
		{&limitedError{tries: 5, wait: time.Minute}, http.StatusTooManyRequests, "too-many-tries"},
		{errors.New("pq: relation secret does not exist"), http.StatusInternalServerError, "internal"},
	} {
		p := problemOf(x.err)
		if p.status != x.status || p.slug != x.slug {
			t.Errorf("%v: %d %s, want %d %s", x.err, p.status, p.slug, x.status, x.slug)
		}
		if len(p.reasons) == 0 {
			t.Errorf("%v: no reasons", x.err)
		}
		for _, r := range p.reasons {
			if r.What == "" || r.Next == "" {
				t.Errorf("%v: a reason without what to do next: %+v", x.err, r)
			}
			if strings.Contains(r.What, "relation") {
				t.Errorf("inner detail: %+v", r)
			}
		}
	}
	for _, row := range problemTable {
		if p := problemOf(fmt.Errorf("wrapped: %w", row.err)); p.status != row.status || p.slug != row.slug {
			t.Errorf("%v is covered by an earlier row: %d %s", row.err, p.status, p.slug)
		}
	}
}

// TestRefusalsAreWhole: all reasons at once, each with field, limit, value and what to do next.
func TestRefusalsAreWhole(t *testing.T) {
	t.Parallel()
	p := problemOf(&plan.Refusal{Reasons: []plan.Reason{
		{What: "the outline is too wide", Next: "scale it", Field: "drawing", Limit: "400 mm", Value: "512 mm"},
		{What: "no setting for engrave", Next: "prove one"}}})
	if p.status != http.StatusUnprocessableEntity || len(p.reasons) != 2 || *p.reasons[0].Limit != "400 mm" ||
		*p.reasons[0].Value != "512 mm" || *p.reasons[0].Field != "drawing" || p.reasons[1].Field != nil {
		t.Errorf("%+v", p)
	}
	p = problemOf(&db.Refused{Reasons: []checklist.Reason{{What: "locked out", Next: "ask the officer"}, {What: "not placed", Next: "place it"}}})
	if p.status != http.StatusUnprocessableEntity || p.slug != "refused" || len(p.reasons) != 2 || p.reasons[1].Next != "place it" {
		t.Errorf("%+v", p)
	}
}

// TestMalformedSaysWhat: what a script sent is named in words of its own side, with what to do next.
func TestMalformedSaysWhat(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member := w.signedIn(t, w.Member)
	for _, c := range []struct{ method, path, body, what string }{
		{http.MethodPost, "/jobs", `{"titel": 1}`, `unknown field "titel"`},
		{http.MethodPost, "/jobs", `{"title": `, "the JSON ends too early"},
		{http.MethodPost, "/jobs", ``, "the body is empty"},
		{http.MethodPost, "/jobs", `{} {}`, "more than one JSON value"},
		{http.MethodPost, "/jobs", `{"copies": "two"}`, `field "copies": want int64, got string`},
		{http.MethodGet, "/runs/abc", "", "the parameter id is not in its form"},
		{http.MethodGet, "/runs?limit=few", "", "the parameter limit is not in its form"},
	} {
		rec := ask(t, w.s.Handler(), c.method, base+c.path, member, c.body, "Content-Type", "application/json")
		var p wire.Problem
		if err := json.Unmarshal(rec.Body.Bytes(), &p); err != nil || rec.Code != http.StatusBadRequest || p.Reasons == nil || len(*p.Reasons) != 1 ||
			(*p.Reasons)[0].What != c.what || (*p.Reasons)[0].Next == "" || strings.Contains(rec.Body.String(), "uuid.UUID") {
			t.Errorf("%s %s %s: %d %s, want %q", c.method, c.path, c.body, rec.Code, rec.Body, c.what)
		}
	}
}
