package serial

import (
	"testing"

	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest"
	"kerfgate/worker/driver/drivertest/emulator"
)

// TestSuite runs the suite of all drivers over a pair of pseudo-terminals.
func TestSuite(t *testing.T) {
	drivertest.Exercise(t, drivertest.Suite{
		Real: true,
		New: func(t testing.TB) driver.Driver {
			return hang(t, emulator.Config{Pace: 4}).driver()
		},
	})
}
