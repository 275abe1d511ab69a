package checklist

import (
	"fmt"
	"time"
)

// UpkeepRule is how often work on a machine is due: by days, by hours that it ran, by runs; 0 = not by that.
type UpkeepRule struct {
	Days  int64 `json:"days"`
	Hours int64 `json:"hours"`
	Runs  int64 `json:"runs"`
}

// UpkeepState is how work stands.
type UpkeepState string

// The states.
const (
	UpkeepFresh   UpkeepState = "not due"
	UpkeepSoon    UpkeepState = "due soon"
	UpkeepOverdue UpkeepState = "overdue"
)

// soonShare of an interval is when work is announced: the project's own figure.
const soonShare = 0.8

// Judge says how work stands that was done last at an instant, with the machine time in ms and the runs
// since; the measure that is closest to its limit decides, and why says it.
func (r UpkeepRule) Judge(last time.Time, ranMS, runs int64, now time.Time) (state UpkeepState, why string) {
	type measure struct {
		share float64
		text  string
	}
	var worst measure
	take := func(used float64, limit int64, text string) {
		if limit > 0 && used/float64(limit) >= worst.share {
			worst = measure{used / float64(limit), text}
		}
	}
	days := now.Sub(last).Hours() / 24
	hours := float64(ranMS) / float64(time.Hour/time.Millisecond)
	take(days, r.Days, fmt.Sprintf("%.0f of %d days", days, r.Days))
	take(hours, r.Hours, fmt.Sprintf("%.1f of %d machine hours", hours, r.Hours))
	take(float64(runs), r.Runs, fmt.Sprintf("%d of %d runs", runs, r.Runs))
	switch {
	case worst.share >= 1:
		return UpkeepOverdue, worst.text
	case worst.share >= soonShare:
		return UpkeepSoon, worst.text
	}
	return UpkeepFresh, worst.text
}
