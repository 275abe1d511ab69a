package worker

import (
	"context"
	"errors"

	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/commissioning"
	"kerfgate/worker/driver"
)

// measure finds out what of a commissioning a worker can find out by itself, as "kerfgate worker commission" does: how
// fast a stop is answered, which moves nothing, and the spans that an axis measures when it finds its place.
func (w *Worker) measure(ctx context.Context, a doSetup, stops int64) (numbers []int64, problem string) {
	if !a.profile.WorkerMeasures(a.command.What) {
		return nil, phraseCommand
	}
	if _, problem := w.ready(ctx); problem != "" {
		return nil, problem
	}
	if a.command.What == machine.AskAnswered {
		err := w.onMachine(func(d driver.Driver) (err error) {
			numbers, err = commissioning.StopAnswers(ctx, d, commissioning.StopTries)
			return err
		})
		switch {
		case w.stops.Load() != stops:
			return nil, phraseStop
		case errors.Is(err, driver.ErrLost):
			return nil, phraseLost
		case err != nil:
			w.cfg.Log.Error("measuring how a stop is answered", "error", err)
			return nil, phraseDriverFailed
		}
		return numbers, ""
	}
	for range commissioning.StopTries {
		if problem := w.home(ctx, doSetup{command: broker.SetupCommand{Kind: broker.SetupHome, OnMark: a.command.OnMark}, profile: a.profile}, stops); problem != "" {
			return nil, problem
		}
		status, err := w.where()
		if err != nil {
			return nil, phraseLost
		}
		if a.command.What == machine.AskRepeatX {
			numbers = append(numbers, status.Span.X)
		} else {
			numbers = append(numbers, status.Span.Y)
		}
	}
	return numbers, ""
}
