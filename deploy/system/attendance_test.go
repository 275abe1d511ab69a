package system_test

import (
	"testing"
	"time"

	"kerfgate/db"
)

// sawNothing is what the operator says before a paused run goes on.
var sawNothing = map[string]any{"no_glow": true, "sheet_unmoved": true, "eyewear_on": true}

// Attendance missed pauses the run with the beam off; only the attending operator resumes it, and
// missed again it is stopped (I9). Attendance runs in real time whatever the simulated scale.
func TestI9_AttendanceMissed(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits a minute of real time")
	}
	s := newSite(t)
	profile := s.machine.Profile
	profile.Attendance.EveryS, profile.Attendance.GraceS = 20, 5
	profile.Driver.MotionScale = 1 // long enough to miss twice
	if _, err := s.store.PublishProfile(t.Context(), db.System, s.machine.ID, profile); err != nil {
		t.Fatal(err)
	}
	thyme, rowan, juniper := s.as("thyme"), s.as("rowan"), s.as("juniper")
	run := s.submit(thyme, `<svg xmlns="http://www.w3.org/2000/svg" width="260mm" height="170mm" viewBox="0 0 260 170">
<rect x="1" y="1" width="258" height="168" fill="none" stroke="black"/><rect x="20" y="20" width="200" height="120" fill="none" stroke="black"/></svg>`)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	signed := rowan.post("/runs/"+run+"/sign", nil)
	rowan.waitsForPhase(run, "running", 30*time.Second)
	began := time.Now()
	paused := rowan.waitsForPhase(run, "paused", 40*time.Second)
	if waited := time.Since(began); waited < 20*time.Second {
		t.Errorf("paused after %s, want the 25 s of attendance in real time", waited)
	}
	if paused.str("reason") != "attendance missed" {
		t.Errorf("paused because of %q", paused.str("reason"))
	}
	if status(t, signed.str("worker_url")).at("tool_on") != false {
		t.Error("the beam is on while paused")
	}
	juniper.refused("POST", "/runs/"+run+"/resume", sawNothing, 403)
	rowan.post("/runs/"+run+"/resume", sawNothing)
	attend(t, signed)
	rowan.waitsForPhase(run, "running", 20*time.Second)
	stopped := rowan.waits("/runs/"+run, "the second miss", 60*time.Second, func(o object) bool { return o.str("outcome") == "stopped" })
	if stopped.str("reason") != "attendance missed again" {
		t.Errorf("stopped because of %q", stopped.str("reason"))
	}
	s.toTheEnd(rowan, run)
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}
