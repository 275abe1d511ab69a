package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"time"
)

// InhibitCommand is the program that keeps a host with systemd from sleeping for as long as its own
// child runs.
const InhibitCommand = "systemd-inhibit"

// inhibitSettle is how long it may take to fail; one that still runs then has what it asked for.
const inhibitSettle = 300 * time.Millisecond

// StayAwake keeps the host from sleeping until release is called or this process ends: the child that
// holds the lock reads a pipe of ours. Errors where the host has no such service; a run goes on without
// it, since waking is noticed by the clocks.
func StayAwake(ctx context.Context) (release func(), err error) {
	cmd := exec.Command(InhibitCommand, "--what=sleep:idle:handle-lid-switch", "--who=kerfgate", "--why=a run is under way", "--mode=block", "cat")
	var said bytes.Buffer
	cmd.Stderr = &said
	hold, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	timer := time.NewTimer(inhibitSettle)
	defer timer.Stop()
	select {
	case err := <-ended:
		if text := strings.TrimSpace(said.String()); text != "" {
			return nil, errors.New(text)
		}
		return nil, fmt.Errorf("%s ended: %w", InhibitCommand, err)
	case <-ctx.Done():
	case <-timer.C:
	}
	return func() {
		_ = hold.Close() // cat ends with its input, and the lock with it
		<-ended
	}, nil
}

// vigil keeps the host awake while a run is under way.
type vigil struct {
	stay    func(context.Context) (func(), error)
	release chan struct{}
	done    chan struct{}
	warn    sync.Once // a host that cannot be kept awake is told of once
}

// watch is told after each step whether a run is under way. It never waits.
func (v *vigil) watch(ctx context.Context, w *Worker, run bool) {
	switch {
	case run && v.release == nil:
		release, before, done := make(chan struct{}), v.done, make(chan struct{})
		v.release, v.done = release, done
		w.group.Go(func() {
			defer close(done)
			if before != nil {
				<-before
			}
			let, err := v.stay(ctx)
			if err != nil {
				v.warn.Do(func() { w.cfg.Log.Warn("this host may sleep while a run is under way", "error", err) })
				return
			}
			select {
			case <-release:
			case <-ctx.Done():
			}
			let()
		})
	case !run && v.release != nil:
		close(v.release)
		v.release = nil
	}
}
