package worker

import (
	"time"

	"golang.org/x/sys/unix"
)

// Clock tells how much time has passed, never what time it is: no deadline of a worker reads a
// clock that somebody can set.
type Clock interface {
	// Boot counts since boot, time in which the host was suspended included (CLOCK_BOOTTIME).
	Boot() time.Duration
	// Awake counts the same without suspended time (CLOCK_MONOTONIC).
	Awake() time.Duration
}

// suspendTolerance is how far the two clocks may drift apart between two looks before it counts as
// a suspend.
const suspendTolerance = time.Second

// HostClock is the host's clock.
type HostClock struct{}

// Boot reads CLOCK_BOOTTIME.
func (HostClock) Boot() time.Duration { return read(unix.CLOCK_BOOTTIME) }

// Awake reads CLOCK_MONOTONIC.
func (HostClock) Awake() time.Duration { return read(unix.CLOCK_MONOTONIC) }

func read(id int32) time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(id, &ts); err != nil {
		panic(err) // Linux has had both clocks since 2.6.39; without them nothing here may run
	}
	return time.Duration(ts.Nano())
}

// instant is one look at both clocks.
type instant struct{ boot, awake time.Duration }

// look reads both clocks so close together that a pause of the process between them is not taken
// for a suspend.
func look(c Clock) instant {
	for tries := 0; ; tries++ {
		before := c.Awake()
		boot := c.Boot()
		if after := c.Awake(); after-before < 50*time.Millisecond || tries == 3 {
			return instant{boot: boot, awake: after}
		}
	}
}
