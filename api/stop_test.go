package api

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/queue/broker"
)

// TestI5_StopNeedsNothing: no sign-in, no database that answers, no body that is read, no limit.
func TestI5_StopNeedsNothing(t *testing.T) {
	t.Parallel()
	s, floor := gateless(t, nil)
	noted := 0
	s.noteStopped = func(ctx context.Context, actor db.Actor, _ uuid.UUID, _ string) error {
		noted++
		if floor.stopped() < noted {
			t.Error("written down before it was sent")
		}
		if actor.Person != uuid.Nil {
			t.Error("nobody is signed in")
		}
		return context.DeadlineExceeded
	}
	machine := uuid.UUID{0: 9}
	for i := range 100 {
		rec := ask(t, s.Handler(), http.MethodPost, base+"/machines/"+machine.String()+"/stop", "", strings.Repeat("x", 200_000))
		if rec.Code != http.StatusAccepted || floor.stopped() != i+1 {
			t.Fatalf("stop %d: %d %s", i, rec.Code, rec.Body)
		}
		var sent wire.StopSent
		if err := json.Unmarshal(rec.Body.Bytes(), &sent); err != nil || sent.Noted || !strings.Contains(sent.Caution, "red button") {
			t.Fatalf("%+v %v", sent, err)
		}
	}
	if noted != notesPerMinute {
		t.Errorf("%d stops written down, want %d", noted, notesPerMinute)
	}
	s.runs.learn(uuid.UUID{0: 1}, machine)
	if rec := ask(t, s.Handler(), http.MethodPost, base+"/runs/"+uuid.UUID{0: 1}.String()+"/stop", "", ""); rec.Code != http.StatusAccepted || floor.stopped() != 101 {
		t.Errorf("by run: %d %s", rec.Code, rec.Body)
	}
	floor.failStop = broker.ErrNoBroker
	rec := ask(t, s.Handler(), http.MethodPost, base+"/machines/"+machine.String()+"/stop", "", "")
	if p := problemIn(t, rec); rec.Code != http.StatusServiceUnavailable || !strings.Contains((*p.Reasons)[0].Next, "red button") {
		t.Errorf("a stop that did not go out: %d %+v", rec.Code, p)
	}
}
