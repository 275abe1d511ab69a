package program

import (
	"testing"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest"
	"kerfgate/worker/driver/drivertest/emulator"
)

// TestSecondEmulator runs the suite on a program by somebody who has not read this driver.
func TestSecondEmulator(t *testing.T) {
	command, dialect := drivertest.Second(t, "../drivertest/second", machine.DriverProgram)
	p := emulator.Profile()
	p.Driver = machine.Driver{Kind: machine.DriverProgram, Dialect: dialect, Program: &machine.Program{Command: []string{command, "program"}}}
	drivertest.Exercise(t, drivertest.Suite{
		Real: true, DisarmStops: dialect.Disarm == "",
		New: func(t testing.TB) driver.Driver {
			d, err := New(Config{Profile: p, Log: quiet()})
			if err != nil {
				t.Fatal(err)
			}
			return d
		},
	})
}
