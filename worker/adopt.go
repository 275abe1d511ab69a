package worker

import (
	"context"
	"errors"
	"io/fs"
	"time"

	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
)

// ProfileFile is the file of the profile that was last in force.
const ProfileFile = "profile"

// openWait is how long a machine may take to answer.
const openWait = 15 * time.Second

// openProfile offers the profile of the last process to the core, so that a worker without a
// server still has its machine.
func (w *Worker) openProfile() {
	data, err := w.cfg.Folder.Read(ProfileFile)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			w.cfg.Log.Error("reading the profile", "error", err)
		}
		return
	}
	w.inbox.post(evProfile{digest: canon.Sum(data), data: data})
}

// adopt makes the driver for a profile and reaches the machine. Only one goes on at a time, and
// nothing runs meanwhile.
func (w *Worker) adopt(ctx context.Context, a doAdopt) {
	e := evAdopted{digest: a.digest}
	defer func() {
		if e.err != nil {
			w.cfg.Log.Error("taking a profile", "profile", a.digest.Short(), "error", e.err)
		}
		w.inbox.post(e)
	}()
	if e.err = canon.Unmarshal(a.data, &e.profile); e.err != nil {
		return
	}
	if digest, err := e.profile.Digest(); err != nil || digest != a.digest {
		e.err = errors.Join(err, errors.New("the profile is not in canonical form"))
		return
	}
	if e.err = checkScales(e.profile); e.err != nil {
		return
	}
	if old := w.held.Load(); old != nil {
		w.warn("closing the driver", old.driver.Close())
		<-old.done
		w.held.Store(nil)
	}
	d, err := w.cfg.Driver(e.profile)
	if err != nil {
		e.err = err
		return
	}
	h := &held{driver: d, done: make(chan struct{})}
	go func() { // ends with the driver's events; whoever closes the driver waits for it
		defer close(h.done)
		for event := range d.Events() {
			if event.Kind == driver.EventAlarm {
				w.dirty.Store(true) // it takes no line before a reset
			}
			w.inbox.post(evMachine{event: event})
		}
	}()
	opening, cancel := context.WithTimeout(ctx, openWait)
	defer cancel()
	if err := d.Open(opening); err != nil {
		w.cfg.Log.Error("reaching the machine", "error", err)
		e.down = true
	}
	w.held.Store(h)
	w.warn("keeping the profile", w.cfg.Folder.Write(ProfileFile, a.data))
}

// checkScales refuses a machine of iron that claims to run faster than time.
func checkScales(p machine.Profile) error {
	if p.Driver.Kind != machine.DriverSimulated && (p.Driver.MotionScale > 1 || p.Driver.WaitScale > 1) {
		return errors.New("only a simulated machine may have scaled times")
	}
	return nil
}
