package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

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
