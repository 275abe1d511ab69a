package api

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"kerfgate/checklist/permit"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// TestMeasuredByTheWorker: the page asks the worker under a logged set-up leave, shows what it found with the way ticked,
// and nothing is an answer before a person keeps it. What the worker cannot find out is not asked of it, and what moves
// the machine not before somebody stands beside it.
func TestMeasuredByTheWorker(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	profile := w.Machine.Profile
	profile.PlacingX = machine.Placing{How: machine.PlacingMiddleOfSpan, SpanUM: 400_000, RepeatErrorUM: 100}
	if _, err := w.PublishProfile(t.Context(), w.Admin, w.Machine.ID, profile); err != nil {
		t.Fatal(err)
	}
	officer := w.signedIn(t, w.Officer)
	path := commissioningPath(w.Machine.ID)
	w.submit(t, officer, path, url.Values{"tool": {"beam"}}, http.StatusSeeOther)
	stop, repeat := path+"/ask/"+machine.AskAnswered, path+"/ask/"+machine.AskRepeatX
	w.page(t, officer, stop, "Let the worker measure", "Nothing moves")
	if page := w.page(t, officer, path+"/ask/"+machine.AskFlow); strings.Contains(page, "Let the worker measure") {
		t.Error("the worker is asked for a flow")
	}
	found := w.submit(t, officer, stop+"/measure", url.Values{}, http.StatusOK)
	for _, want := range []string{`id="try-5" name="try" inputmode="numeric" pattern="-?[0-9]+" maxlength="9" autocomplete="off" value="6"`, `value="measured by the worker" checked`} {
		if !strings.Contains(found, want) {
			t.Errorf("%q is not shown", want)
		}
	}
	command := w.floor.commands[len(w.floor.commands)-1]
	leave, err := permit.OpenLeave(command.Leave, w.PermitVerify)
	if err != nil || command.Kind != broker.SetupMeasure || command.What != machine.AskAnswered || leave.Operator != w.Officer.Person || leave.Machine != w.Machine.ID {
		t.Errorf("asked: %+v under %+v (%v)", command, leave, err)
	}
	all, err := w.Commissionings(t.Context(), w.Machine.ID, 1)
	if err != nil || len(all[0].Answers) != 0 {
		t.Errorf("an answer that nobody kept: %+v, %v", all, err)
	}
	w.submit(t, officer, stop, url.Values{"try": {"3", "4", "3", "3", "6"}, "way": {machine.ByWorker}, "measured_by": {w.Officer.Person.String()}}, http.StatusSeeOther)
	if page := w.submit(t, officer, repeat+"/measure", url.Values{}, http.StatusUnprocessableEntity); !strings.Contains(page, "beside the machine") {
		t.Error("the machine moves without anybody beside it")
	}
	w.submit(t, officer, repeat+"/measure", url.Values{"beside": {"yes"}}, http.StatusOK)
	w.submit(t, officer, path+"/ask/"+machine.AskStop+"/measure", url.Values{}, http.StatusUnprocessableEntity)
	w.floor.says = "the machine is busy"
	if page := w.submit(t, officer, stop+"/measure", url.Values{}, http.StatusUnprocessableEntity); !strings.Contains(page, "the machine is busy") {
		t.Error("the worker's words are not shown")
	}
	w.floor.says = ""
	one, err := w.Commissionings(t.Context(), w.Machine.ID, 1)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.AbandonCommissioning(t.Context(), w.Officer, one[0].ID); err != nil {
		t.Fatal(err)
	}
	if _, err := w.LeaveToMeasure(t.Context(), w.Officer, one[0].ID, machine.AskAnswered, [32]byte{1}); err == nil {
		t.Error("a leave for a commissioning that has ended")
	}
}
