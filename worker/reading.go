package worker

import (
	"context"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/queue"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"

	"github.com/google/uuid"
)

// view is what the core shows to the rest of the worker after each step.
type view struct {
	run        uuid.UUID
	stage      stage
	totalMS    int64
	startedAt  time.Duration
	pausedAt   time.Duration
	pausedFor  time.Duration
	countdown  time.Duration // deadline
	attendance time.Duration // deadline, 0 when none is asked
	purgeS     int64
	problem    string
	headFrom   int64 // size of the head that is kept
	profile    machine.Profile
}

func (c *core) view() *view {
	v := &view{stage: c.stage, profile: c.profile, purgeS: c.purgeLeft(), headFrom: c.headSize}
	switch {
	case c.broken:
		v.problem = phraseOutOfUse
	case c.foreign:
		v.problem = phraseEpoch
	case c.doubt:
		v.problem = phraseDoubt
	case c.locked:
		v.problem = phraseLocked
	case !c.hasProfile:
		v.problem = phraseNoProfile
	case c.machineDown:
		v.problem = phraseLost
	case c.stage == paused && c.run.homedAgain:
		v.problem = phraseHomedAgain
	case c.stage == paused && c.run.refused:
		v.problem = phraseGoOnRefused
	}
	if r := c.run; r != nil {
		v.run, v.totalMS = r.id, r.totalMS
		v.startedAt, v.pausedAt, v.pausedFor = r.startedAt, r.pausedAt, r.pausedFor
		v.attendance = r.watch.deadline()
		if c.stage == countdown {
			v.countdown = r.deadline
		}
	}
	return v
}

// phase is the run's phase as far as the worker can know it.
func (v *view) phase() queue.Phase {
	switch v.stage {
	case reading, resetting, burning, takenWait:
		return queue.Permitted
	case countdown, looking, starting:
		return queue.Starting
	case running:
		return queue.Running
	case paused:
		return queue.Paused
	case purging:
		return queue.Purging
	}
	return ""
}

// settleMS is how much of a run must be done before its real pace is believed.
const settleMS = 2000

// Reading is a glance at the machine and the run.
func (w *Worker) Reading() broker.Reading {
	v := w.view.Load()
	status, err := w.where()
	return v.reading(w.cfg.Clock.Boot(), status, err)
}

func (v *view) reading(now time.Duration, status driver.Status, err error) broker.Reading {
	r := broker.Reading{Run: v.run, Phase: string(v.phase()), TotalMS: v.totalMS, Position: status.Position,
		ToolOn: status.ToolOn, AttendanceS: -1, PurgeS: v.purgeS, Problem: v.problem, Stroke: -1,
		MotionScale: max(1, v.profile.Driver.MotionScale), WaitScale: max(1, v.profile.Driver.WaitScale)}
	if err != nil && r.Problem == "" {
		r.Problem = phraseLost
	}
	if err == nil && r.Problem == "" && v.stage == paused && !status.Homed {
		r.Problem = phraseNoPlace
		if len(v.profile.ByHand()) > 0 {
			r.Problem = phraseNoPlaceHand
		}
	}
	if v.attendance > 0 {
		r.AttendanceS = seconds(v.attendance - now)
	}
	if v.countdown > 0 {
		r.CountdownS = seconds(v.countdown - now)
	}
	switch v.stage {
	case running, paused:
		r.DoneMS = min(status.DoneMS, v.totalMS)
		r.LeftMS = v.left(now, r.DoneMS)
	case purging:
		r.DoneMS = v.totalMS
	case reading, resetting, burning, takenWait, countdown, looking, starting:
		r.LeftMS = v.totalMS / max(1, v.profile.Driver.MotionScale)
	}
	return r
}

// left is the time that the rest takes as a person waits it: at the pace that the machine has
// really kept, once enough is done to know it.
func (v *view) left(now time.Duration, done int64) int64 {
	rest := v.totalMS - done
	if done < settleMS {
		return rest / max(1, v.profile.Driver.MotionScale)
	}
	if v.stage == paused {
		now = v.pausedAt
	}
	real := (now - v.startedAt - v.pausedFor).Milliseconds()
	return int64(float64(rest) * float64(real) / float64(done))
}

// seconds rounds up, so that 0 means now.
func seconds(d time.Duration) int64 { return int64((max(0, d) + time.Second - 1) / time.Second) }

func (w *Worker) sendReadings(ctx context.Context) {
	ticker := time.NewTicker(w.cfg.ReadingsGap)
	defer ticker.Stop()
	last := idle
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		now := w.view.Load().stage
		if now == idle && last == idle {
			continue
		}
		last = now
		if err := w.link.Reading(w.Reading()); err != nil {
			w.cfg.Log.Debug("reading not sent", "error", err)
		}
	}
}
