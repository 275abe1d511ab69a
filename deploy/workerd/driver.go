package workerd

import (
	"errors"
	"fmt"
	"path/filepath"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/program"
	"kerfgate/worker/driver/serial"
	"kerfgate/worker/driver/simulated"
)

// ErrDriver is returned for a profile whose driver this build does not have.
var ErrDriver = errors.New("this worker has no such driver")

// drivers makes the driver that a profile names. A machine's program runs in the worker's folder.
func drivers(cfg Config) func(machine.Profile) (driver.Driver, error) {
	return func(p machine.Profile) (driver.Driver, error) {
		switch p.Driver.Kind {
		case machine.DriverSimulated:
			return simulated.New(simulated.Config{Profile: p, EdgeFile: filepath.Join(cfg.Dir, edgeFile), Log: cfg.Log})
		case machine.DriverSerial:
			return made(serial.New(serial.Config{Profile: p, Log: cfg.Log}))
		case machine.DriverProgram:
			return made(program.New(program.Config{Profile: p, Dir: cfg.Dir, Log: cfg.Log}))
		}
		return nil, fmt.Errorf("%w: %s", ErrDriver, p.Driver.Kind)
	}
}

// made keeps a nil driver from looking like one.
func made[D driver.Driver](d D, err error) (driver.Driver, error) {
	if err != nil {
		return nil, err
	}
	return d, nil
}
