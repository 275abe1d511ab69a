package worker

import (
	"context"
	"errors"
	"strings"
	"time"

	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// How plans are pulled.
const (
	chunkBytes = 512 << 10
	pullWait   = 10 * time.Second // for one chunk
	pullRetry  = time.Second
	pullTries  = 30
)

const (
	planPrefix = "plan-"
	partSuffix = ".part"
)

func planName(d canon.Digest) string { return planPrefix + d.String() }

// prepare pulls the plan, looks whether it could run here and whether the machine answers. It runs
// in the fetch lane only.
func (w *Worker) prepare(ctx context.Context, a doPrepare) {
	e := evPrepared{offer: a.offer}
	e.reason = w.preparing(ctx, a)
	if ctx.Err() != nil {
		return
	}
	w.inbox.post(e)
}

func (w *Worker) preparing(ctx context.Context, a doPrepare) string {
	if reason := w.pull(ctx, a.offer.Plan, a.offer.PlanSize); reason != "" {
		return reason
	}
	p, shut, err := w.openPlan(a.offer.Plan)
	if err != nil {
		w.cfg.Log.Warn("plan", "plan", a.offer.Plan.Short(), "error", err)
		return phraseForm
	}
	w.warn("closing a plan", shut()) // its strokes were read to see that they can be
	_, hasTool := a.profile.Tool(p.Tool)
	switch {
	case p.Profile != a.digest || a.offer.Profile != a.digest:
		return phraseProfile
	case !hasTool:
		return phraseTool
	case !extentsFit(p, a.profile):
		return phraseExtents
	}
	if _, err := w.where(); err != nil {
		return phraseLost
	}
	return ""
}

// pull has the plan on the disk, whole and hashed, from the server in chunks where it is not there yet,
// going on where an earlier pull ended. No more than a chunk is held.
func (w *Worker) pull(ctx context.Context, digest canon.Digest, size int64) (reason string) {
	name := planName(digest)
	if sum, _, err := w.sum(name); err == nil && sum == digest {
		return ""
	}
	if size < 0 || size > w.cfg.MaxPlan {
		return phraseTooLarge
	}
	part := name + partSuffix
	_, have, err := w.sum(part)
	if err != nil || have > size {
		have = 0
	}
	if have == 0 {
		if err := w.cfg.Folder.Write(part, nil); err != nil {
			w.cfg.Log.Error("keeping a plan", "error", err)
			return phrasePlanGone
		}
	}
	for tries := 0; have < size; {
		chunk, err := w.chunk(ctx, broker.PlanAsk{Plan: digest, Offset: have, Length: min(chunkBytes, size-have)})
		if err != nil || len(chunk) == 0 {
			if tries++; tries >= pullTries || errors.Is(err, broker.ErrRefused) || !sleep(ctx, pullRetry) {
				w.cfg.Log.Warn("pulling a plan", "plan", digest.Short(), "error", err)
				return phraseNotPulled
			}
			continue
		}
		tries = 0
		have += int64(len(chunk))
		if err := w.cfg.Folder.Append(part, chunk); err != nil {
			w.cfg.Log.Error("keeping a plan", "error", err)
			return phrasePlanGone
		}
	}
	if sum, _, err := w.sum(part); err != nil || sum != digest {
		w.warn("forgetting a bad plan", errors.Join(err, w.cfg.Folder.Remove(part)))
		return phraseDigest
	}
	if err := w.cfg.Folder.Keep(part, name); err != nil {
		w.cfg.Log.Error("keeping a plan", "error", err)
		return phrasePlanGone
	}
	return ""
}

// sum hashes a file of the folder and says how long it is.
func (w *Worker) sum(name string) (digest canon.Digest, size int64, err error) {
	f, err := w.cfg.Folder.Open(name)
	if err != nil {
		return digest, 0, err
	}
	_, digest, err = hashed(f, f.Size())
	return digest, f.Size(), errors.Join(err, f.Close())
}

func (w *Worker) chunk(ctx context.Context, ask broker.PlanAsk) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, pullWait)
	defer cancel()
	return w.link.PlanChunk(ctx, ask)
}

// readPlan opens a plan on the disk and hashes it again; nil when it is not what it was.
func (w *Worker) readPlan(digest canon.Digest) *plan.Plan {
	p, _, err := w.openPlan(digest)
	if errors.Is(err, errChanged) {
		w.warn("forgetting a bad plan", w.cfg.Folder.Remove(planName(digest)))
	}
	if err != nil {
		w.cfg.Log.Error("reading a plan", "plan", digest.Short(), "error", err)
		return nil
	}
	return p
}

func (w *Worker) forgetPlan(digest canon.Digest) {
	names, err := w.cfg.Folder.List()
	if err != nil {
		w.warn("forgetting a plan", err)
		return
	}
	for _, name := range names {
		if strings.HasPrefix(name, planName(digest)) {
			w.warn("forgetting a plan", w.cfg.Folder.Remove(name))
		}
	}
}

// sleep waits and says whether ctx is still alive.
func sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}
