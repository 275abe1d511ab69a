package api

import (
	"net/http"
	"strings"
	"testing"

	"kerfgate/api/wire"
	"kerfgate/checklist/permit"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// TestHoldToMove: a hold is one leave, begun with a way and kept with what was told last. What the worker
// says against it reaches the person, and nobody else can keep it.
func TestHoldToMove(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	operator, path := w.signedIn(t, w.Operator), "/runs/"+job.Runs[0].ID.String()
	w.ready(t, job.Runs[0].ID, 1)
	w.as(t, operator, http.MethodPost, path+"/checklist", "", http.StatusOK, nil)
	w.as(t, operator, http.MethodPut, path+"/hold", `{"way":"left"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, operator, http.MethodPut, path+"/placement", `{"supply_off":true}`, http.StatusOK, nil)
	beat := `{"grip":"` + strings.Repeat("07", 16) + `","tick":1}`
	w.as(t, operator, http.MethodPut, path+"/hold", beat, http.StatusUnprocessableEntity, nil)
	var done wire.HoldDone
	w.as(t, operator, http.MethodPut, path+"/hold", `{"way":"toward","fine":true}`, http.StatusOK, &done)
	if done.Tick != 1 || !strings.HasPrefix(done.Grip, "07000") || len(done.Grip) != 32 {
		t.Errorf("%+v", done)
	}
	for want := int64(2); want < 5; want++ {
		w.as(t, operator, http.MethodPut, path+"/hold", `{"grip":"`+done.Grip+`","tick":`+string('0'+rune(want)-1)+`}`, http.StatusOK, &done)
		if done.Tick != want {
			t.Errorf("tick %d, want %d", done.Tick, want)
		}
	}
	w.as(t, operator, http.MethodPut, path+"/hold", `{"grip":"`+done.Grip+`","release":true}`, http.StatusOK, nil)
	for _, bad := range []string{`{}`, `{"way":"up"}`, `{"way":"left","grip":"07"}`, `{"grip":"07"}`, `{"grip":"zz"}`} {
		w.as(t, operator, http.MethodPut, path+"/hold", bad, http.StatusUnprocessableEntity, nil)
	}
	var first broker.SetupCommand
	for i, c := range w.floor.commands {
		if i == 0 {
			first = c
			continue
		}
		if string(c.Leave) != string(first.Leave) || c.Number != int64(i+1) || c.Kind != broker.SetupBeat {
			t.Errorf("command %d: %+v", i, c)
		}
	}
	if first.Kind != broker.SetupGrip || first.By != geom.Pt(0, -1) || !first.Fine {
		t.Errorf("the grip: %+v", first)
	}
	if _, err := permit.OpenLeave(first.Leave, w.PermitVerify); err != nil {
		t.Error(err)
	}
	other := w.signedIn(t, w.Officer)
	w.as(t, other, http.MethodPut, path+"/hold", beat, http.StatusForbidden, nil)
	w.floor.says = "the station was silent while it held a move"
	p := problemIn(t, w.as(t, operator, http.MethodPut, path+"/hold", beat, http.StatusUnprocessableEntity, nil))
	if !strings.Contains((*p.Reasons)[0].What, "silent") {
		t.Errorf("%+v", p)
	}
}

// TestHomeSpan: a span out of tolerance is refused with both numbers.
func TestHomeSpan(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	profile := w.Machine.Profile
	profile.PlacingX = machine.Placing{How: machine.PlacingMiddleOfSpan, SpanUM: 400_000, RepeatErrorUM: 100}
	if _, err := w.PublishProfile(t.Context(), w.Officer, w.Machine.ID, profile); err != nil {
		t.Fatal(err)
	}
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	operator, path := w.signedIn(t, w.Operator), "/runs/"+job.Runs[0].ID.String()
	w.ready(t, job.Runs[0].ID, 1)
	w.as(t, operator, http.MethodPost, path+"/checklist", "", http.StatusOK, nil)
	w.as(t, operator, http.MethodPut, path+"/placement", `{"supply_off":true}`, http.StatusOK, nil)
	w.floor.says, w.floor.span = "the measured span is not the one in the profile", geom.Pt(397_500, 0)
	p := problemIn(t, w.as(t, operator, http.MethodPost, path+"/setup", `{"kind":"home"}`, http.StatusUnprocessableEntity, nil))
	if got := (*p.Reasons)[0].What; got != "x: the measured span is 397.5 mm, the profile says 400 ± 0.2 mm" {
		t.Errorf("said %q", got)
	}
}
