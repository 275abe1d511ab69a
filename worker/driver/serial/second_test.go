package serial

import (
	"os"
	"os/exec"
	"testing"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest"
	"kerfgate/worker/driver/drivertest/emulator"
	"kerfgate/worker/driver/drivertest/pty"
)

// TestSecondEmulator runs the suite on a machine by somebody who has not read this driver, at the other
// end of a pseudo-terminal.
func TestSecondEmulator(t *testing.T) {
	command, dialect := drivertest.Second(t, "../drivertest/second", machine.DriverSerial)
	drivertest.Exercise(t, drivertest.Suite{
		Real: true, DisarmStops: dialect.Disarm == "",
		New: func(t testing.TB) driver.Driver {
			master, path, err := pty.Open()
			if err != nil {
				t.Fatal(err)
			}
			keep, err := os.OpenFile(path, os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command(command, "serial")
			cmd.Stdin, cmd.Stdout, cmd.Stderr = master, master, os.Stderr
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() {
				_ = cmd.Process.Kill() // by its own id; it ends by nothing else
				_ = cmd.Wait()
				keep.Close()
				master.Close()
			})
			p := emulator.Profile()
			p.Driver = machine.Driver{Kind: machine.DriverSerial, Dialect: dialect,
				Port: &machine.Port{Path: path, Baud: 115_200, DataBits: 8, StopBits: 1, Parity: machine.ParityNone}}
			d, err := New(Config{Profile: p})
			if err != nil {
				t.Fatal(err)
			}
			return d
		},
	})
}
