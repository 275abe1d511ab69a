package program

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"testing"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest"
	"kerfgate/worker/driver/drivertest/emulator"
)

// The test binary is the machine's program too, by what this variable says.
const role = "KERFGATE_TEST_CHILD"

func TestMain(m *testing.M) {
	energy := os.Getenv("KERFGATE_TEST_ENERGY")
	switch os.Getenv(role) {
	case "":
		os.Exit(m.Run())
	case "carriage":
		emulator.Child(emulator.Config{EnergyFile: energy})
	case "driver":
		if err := drive(energy); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
	case "deaf": // answers, and never reads a line or a command
		deaf(energy)
	case "silent":
		time.Sleep(time.Minute)
	case "babble":
		for {
			fmt.Println("la la la la la la la la la la la la la la la la la la la la")
		}
	}
}

// profileFor is a machine whose program is this test binary in a role.
func profileFor(t testing.TB, as string) machine.Profile {
	t.Helper()
	p, err := profileOf(as, t.TempDir()+"/energy")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// profileOf is the same with the file that the energy is written down in.
func profileOf(as, energy string) (machine.Profile, error) {
	self, err := os.Executable()
	p := emulator.Profile()
	p.Driver = machine.Driver{Kind: machine.DriverProgram, Dialect: emulator.ProgramDialect(),
		Program: &machine.Program{Command: []string{"/usr/bin/env", role + "=" + as, "KERFGATE_TEST_ENERGY=" + energy, self}}}
	return p, err
}

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// TestSuite runs the suite of all drivers on a child process, which lives in real time.
func TestSuite(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute of real time")
	}
	drivertest.Exercise(t, drivertest.Suite{
		Real: true, DisarmStops: true,
		New: func(t testing.TB) driver.Driver {
			d, err := New(Config{Profile: profileFor(t, "carriage"), Log: quiet()})
			if err != nil {
				t.Fatal(err)
			}
			return d
		},
	})
}
