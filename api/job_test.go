package api

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/queue"
)

// TestIdempotencyKey: the first answer again, refused with another body, free again after a failure
// inside.
func TestIdempotencyKey(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member := w.signedIn(t, w.Member)
	job := w.handIn(t, member, 1)
	key := uuid.NewString()
	body := func(title string) string { return w.wanted(title, job.Plan, 1) }
	var one, two wire.Job
	w.as(t, member, http.MethodPost, "/jobs", body("label"), http.StatusCreated, &one, "Idempotency-Key", key)
	w.as(t, member, http.MethodPost, "/jobs", body("label"), http.StatusCreated, &two, "Idempotency-Key", key)
	if one.ID != two.ID {
		t.Error("two jobs by one key")
	}
	w.as(t, member, http.MethodPost, "/jobs", body("another"), http.StatusConflict, nil, "Idempotency-Key", key)
	w.as(t, member, http.MethodPost, "/jobs", body("label"), http.StatusUnprocessableEntity, nil, "Idempotency-Key", "short")
	// Another person's key is another key.
	var theirs wire.Job
	w.as(t, w.signedIn(t, w.Operator), http.MethodPost, "/jobs", body("label"), http.StatusCreated, &theirs, "Idempotency-Key", key)
	if theirs.ID == one.ID {
		t.Error("a key reaches over to another person")
	}
	// A refusal is kept as well; a failure inside is not.
	machine := "/machines/" + w.Machine.ID.String()
	officer := w.signedIn(t, w.Officer)
	w.as(t, officer, http.MethodPost, machine+"/lockout", `{"reason":" "}`, http.StatusUnprocessableEntity, nil, "Idempotency-Key", key)
	w.as(t, officer, http.MethodPost, machine+"/lockout", `{"reason":" "}`, http.StatusUnprocessableEntity, nil, "Idempotency-Key", key)
	operator, path := w.signedIn(t, w.Operator), "/runs/"+job.Runs[0].ID.String()
	w.ready(t, job.Runs[0].ID, 1)
	w.atTheGate(t, operator, job.Runs[0])
	w.floor.failPermit = errors.New("line is down")
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusServiceUnavailable, nil, "Idempotency-Key", key)
	w.floor.failPermit = nil
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil, "Idempotency-Key", key) // its answers are gone with the void
}

// TestIfMatch: a stale revision is 412, the fresh one does it.
func TestIfMatch(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member := w.signedIn(t, w.Member)
	job := w.handIn(t, member, 2)
	path := "/jobs/" + job.ID.String()
	rec := w.as(t, member, http.MethodGet, path, "", http.StatusOK, nil)
	w.as(t, member, http.MethodPost, path+"/withdraw", "", http.StatusPreconditionFailed, nil, "If-Match", `"999"`)
	w.as(t, member, http.MethodPost, path+"/withdraw", "", http.StatusOK, &job, "If-Match", rec.Header().Get("ETag"))
	if job.State != string(queue.JobWithdrawn) {
		t.Errorf("state %s", job.State)
	}
}

// TestCopies: the store, the API's answers and its description have one limit.
func TestCopies(t *testing.T) {
	t.Parallel()
	digest := strings.Repeat("ab", 32)
	for copies, want := range map[int64]bool{0: false, 1: true, db.MaxCopies: true, db.MaxCopies + 1: false} {
		if _, err := newJob(wire.NewJob{Title: "bed sign", Plan: digest, Copies: copies}); (err == nil) != want {
			t.Errorf("%d copies: %v", copies, err)
		}
	}
	description, err := os.ReadFile("openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, schema, _ := strings.Cut(string(description), "\n    NewJob:\n")
	want := fmt.Sprintf("copies: {type: integer, format: int64, minimum: 1, maximum: %d}", db.MaxCopies)
	if _, after, _ := strings.Cut(schema, "copies: "); !strings.HasPrefix("copies: "+after, want) {
		t.Errorf("openapi.yaml does not say %q", want)
	}
}
