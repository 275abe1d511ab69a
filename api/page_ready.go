package api

import (
	"context"
	"fmt"
	"time"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/queue"
)

// readyView tells when a job would be ready that is handed in now: by the same reckoning as the queue's own times,
// as if it joined behind what waits.
func (s *Server) readyView(ctx context.Context, row db.PlanRow, form handInForm) (web.ReadyView, error) {
	v := web.ReadyView{Now: s.local(s.now()), Copies: form.copies}
	join := db.Joining{Machine: row.Machine, Stock: row.Stock, TotalMS: row.Plan.Numbers.TotalMS, Copies: form.copies}
	if due, err := time.ParseInLocation("2006-01-02T15:04", form.due, v.Now.Location()); err == nil {
		join.Due, v.Due = &due, &due
	}
	q, first, last, ok, err := s.store.IfJoined(ctx, actorIn(ctx), join)
	if err != nil {
		return v, err
	}
	v.LockedOut, v.TooLong = q.Lane.LockedOut, !ok
	if !ok {
		return v, nil
	}
	for i, p := range q.Places {
		if p.Run == first.Run {
			v.Place, v.Why = i+1, p.Reason
		}
	}
	v.Start, v.NotBefore, v.ReadyBy = s.localOrNil(first.Start), s.localOrNil(last.End), s.localOrNil(last.Slowest)
	if pace := q.Lane.Pace; pace.Known() {
		v.PaceRuns = pace.Runs
	}
	v.Laying = layingWords(q.Lane.Pace)
	v.Late = v.Due != nil && last.End != nil && last.End.After(*v.Due)
	v.Tight = !v.Late && v.Due != nil && last.Slowest != nil && last.Slowest.After(*v.Due)
	return v, nil
}

// layingWords says what laying a sheet counts, and whether anybody knows.
func layingWords(p queue.Pace) string {
	words := func(same bool, of string) string {
		took, known := p.Laying(same)
		text := fmt.Sprintf("%s for a sheet of %s", web.Duration(took.Milliseconds()), of)
		if known {
			return text + ", as the last ones here took"
		}
		return text + ", assumed: too few were laid here"
	}
	return "Taking a run up, laying its sheet and its checks count " + words(true, "the lot that lies there") + ", and " + words(false, "another lot") + "."
}
