package worker

import (
	"context"
	"errors"
	"io/fs"
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
	data, reason := w.pull(ctx, a.offer.Plan, a.offer.PlanSize)
	if reason != "" {
		return reason
	}
	p, err := plan.Decode(data)
	if err != nil {
		w.cfg.Log.Warn("plan", "plan", a.offer.Plan.Short(), "error", err)
		return phraseForm
	}
	_, hasTool := a.profile.Tool(p.Tool)
	switch {
	case p.Profile != a.digest || a.offer.Profile != a.digest:
		return phraseProfile
	case !hasTool:
		return phraseTool
	case !extentsFit(p.Extents.Width(), p.Extents.Height(), a.profile):
		return phraseExtents
	}
	if _, err := w.where(); err != nil {
		return phraseLost
	}
	return ""
}

// pull gives the plan's bytes from the disk, or from the server in chunks, going on where an
// earlier pull ended.
func (w *Worker) pull(ctx context.Context, digest canon.Digest, size int64) ([]byte, string) {
	name := planName(digest)
	if data, err := w.cfg.Folder.Read(name); err == nil && canon.Sum(data) == digest {
		return data, ""
	}
	if size < 0 || size > w.cfg.MaxPlan {
		return nil, phraseTooLarge
	}
	part := name + partSuffix
	data, err := w.cfg.Folder.Read(part)
	if err != nil && !errors.Is(err, fs.ErrNotExist) || int64(len(data)) > size {
		data = nil
	}
	if len(data) == 0 {
		if err := w.cfg.Folder.Write(part, nil); err != nil {
			w.cfg.Log.Error("keeping a plan", "error", err)
			return nil, phrasePlanGone
		}
	}
	for tries := 0; int64(len(data)) < size; {
		chunk, err := w.chunk(ctx, broker.PlanAsk{Plan: digest, Offset: int64(len(data)), Length: min(chunkBytes, size-int64(len(data)))})
		if err != nil || len(chunk) == 0 {
			if tries++; tries >= pullTries || errors.Is(err, broker.ErrRefused) || !sleep(ctx, pullRetry) {
				w.cfg.Log.Warn("pulling a plan", "plan", digest.Short(), "error", err)
				return nil, phraseNotPulled
			}
			continue
		}
		tries = 0
		data = append(data, chunk...)
		if err := w.cfg.Folder.Append(part, chunk); err != nil {
			w.cfg.Log.Error("keeping a plan", "error", err)
			return nil, phrasePlanGone
		}
	}
	if canon.Sum(data) != digest {
		w.warn("forgetting a bad plan", w.cfg.Folder.Remove(part))
		return nil, phraseDigest
	}
	if err := w.cfg.Folder.Write(name, data); err != nil {
		w.cfg.Log.Error("keeping a plan", "error", err)
		return nil, phrasePlanGone
	}
	w.warn("forgetting a plan's parts", w.cfg.Folder.Remove(part))
	return data, ""
}

func (w *Worker) chunk(ctx context.Context, ask broker.PlanAsk) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, pullWait)
	defer cancel()
	return w.link.PlanChunk(ctx, ask)
}

// readPlan reads a plan from the disk and hashes it again; nil when it is not what it was.
func (w *Worker) readPlan(digest canon.Digest) *plan.Plan {
	data, err := w.cfg.Folder.Read(planName(digest))
	if err == nil && canon.Sum(data) != digest {
		err = errors.New("its bytes have changed on the disk")
		w.warn("forgetting a bad plan", w.cfg.Folder.Remove(planName(digest)))
	}
	if err != nil {
		w.cfg.Log.Error("reading a plan", "plan", digest.Short(), "error", err)
		return nil
	}
	p, err := plan.Decode(data)
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
