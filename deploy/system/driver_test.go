package system_test

import (
	"os"
	"os/exec"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver/drivertest"
	"kerfgate/worker/driver/drivertest/pty"
)

// TestWholeRunOnACable takes a run from the drawing to the inspection, over broker, worker and a driver
// that talks with another process: an emulated machine at the end of a pseudo-terminal, and one that is
// a program. Each waits out a purge of a minute, so that only the first is tried outside of make chaos.
func TestWholeRunOnACable(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs in real time")
	}
	for _, kind := range []string{machine.DriverSerial, machine.DriverProgram} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			if kind != machine.DriverSerial && os.Getenv("KERFGATE_CHAOS_FOR") == "" {
				t.Skip("make chaos runs it")
			}
			s := newSite(t)
			command, dialect := drivertest.Second(t, "../../worker/driver/drivertest/second", kind)
			// This computer is busy with other tests; the emulator says on its cable too when it was stopped.
			dialect.Stopped, dialect.AnswerWithinMS = "^#stopped$", 20_000
			profile := s.machine.Profile
			profile.Driver = machine.Driver{Kind: kind, Dialect: dialect}
			if kind == machine.DriverSerial {
				profile.Driver.Port = &machine.Port{Path: onCable(t, command), Baud: 115_200, DataBits: 8, StopBits: 1, Parity: machine.ParityNone}
			} else {
				profile.Driver.Program = &machine.Program{Command: []string{command, "program"}}
			}
			if _, err := s.store.PublishProfile(t.Context(), db.System, s.machine.ID, profile); err != nil {
				t.Fatal(err)
			}
			thyme, rowan := s.as("thyme"), s.as("rowan")

			run := s.submit(thyme, square)
			if signOffs := s.toTheEnd(rowan, run); signOffs != 1 {
				t.Errorf("it took %d sign-offs", signOffs)
			}
			r := rowan.get("/runs/" + run)
			if r.str("outcome") != "completed" || r.num("real_s") < 0.5*r.num("planned_s") {
				t.Errorf("it ended %s, %s; %v s of %v s", r.str("outcome"), r.str("reason"), r.num("real_s"), r.num("planned_s"))
			}
			for _, kind := range []string{"run.signed", "run.burned", "run.moved", "run.completed", "run.purged", "run.inspected"} {
				if n := len(s.entries(kind, uuid.MustParse(run))); n != 1 {
					t.Errorf("%d entries %s", n, kind)
				}
			}
			if _, err := s.store.CheckLog(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

// onCable starts the emulated machine at one end of a pseudo-terminal and gives the path of the other.
func onCable(t *testing.T, command string) string {
	t.Helper()
	master, path, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	keep, err := os.OpenFile(path, os.O_RDWR, 0) // else the end of one worker unplugs the cable
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(command, "serial")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = master, master, testLog{t}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it ends by nothing else
		_ = cmd.Wait()
		keep.Close()
		master.Close()
	})
	return path
}
