package checklist

import (
	"fmt"
	"time"
)

// CalibrationRule says how often a machine is calibrated: by date and by machine hours, whichever comes
// first; 0 = not by that. The figures that machines begin with, 180 days and 200 hours, are our own choice.
type CalibrationRule struct {
	Days  int64
	Hours int64
}

// Calibration is how a machine stands by its rule.
type Calibration struct {
	State CalibrationState
	// DueAt is when it falls due by date, LeftHours how many machine hours are left, rounded down and below
	// zero once overdue; nil where the rule does not count by it, or nothing was ever calibrated.
	DueAt     *time.Time
	LeftHours *int64
	Why       string // for people; empty where nothing is to be done
}

// CalibrationState is a word for people.
type CalibrationState string

// States. Nothing is known of a machine that was never calibrated: it is told, and nothing is overdue.
const (
	NeverCalibrated CalibrationState = "never calibrated"
	Calibrated      CalibrationState = "calibrated"
	CalibrateSoon   CalibrationState = "due soon"
	Overdue         CalibrationState = "overdue"
	BadlyOverdue    CalibrationState = "badly overdue"
)

// Parts of the interval, in hundredths, after which a calibration is due soon, overdue, badly overdue. Own
// choice, as long as the trade has none for such machines.
const (
	soonPercent  = 90
	duePercent   = 100
	badlyPercent = 150
)

// Judge says how a machine stands: last is when it was last calibrated, nil for never, ranMS how long it has
// run since.
func (r CalibrationRule) Judge(last *time.Time, ranMS int64, now time.Time) Calibration {
	if last == nil {
		return Calibration{State: NeverCalibrated, Why: "nobody has measured how true it draws"}
	}
	c := Calibration{State: Calibrated}
	worst := int64(0) // hundredths of an interval
	if r.Days > 0 {
		every := time.Duration(r.Days) * 24 * time.Hour
		due := last.Add(every)
		c.DueAt = &due
		if part := int64(now.Sub(*last) * 100 / every); part > worst {
			worst = part
			c.Why = fmt.Sprintf("calibrated %d days ago, due every %d", int64(now.Sub(*last)/(24*time.Hour)), r.Days)
		}
	}
	if r.Hours > 0 {
		ran := ranMS / time.Hour.Milliseconds()
		left := r.Hours - (ranMS+time.Hour.Milliseconds()-1)/time.Hour.Milliseconds()
		c.LeftHours = &left
		if part := ranMS * 100 / (r.Hours * time.Hour.Milliseconds()); part > worst {
			worst = part
			c.Why = fmt.Sprintf("ran %d hours since it was calibrated, due every %d", ran, r.Hours)
		}
	}
	switch {
	case worst >= badlyPercent:
		c.State = BadlyOverdue
	case worst >= duePercent:
		c.State = Overdue
	case worst >= soonPercent:
		c.State = CalibrateSoon
	default:
		c.Why = ""
	}
	return c
}

// Late says whether it is time to warn.
func (c Calibration) Late() bool { return c.State == Overdue || c.State == BadlyOverdue }
