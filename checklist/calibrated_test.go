package checklist

import (
	"strings"
	"testing"
	"time"
)

// TestCalibrationDue: by date and by hours, whichever comes first (intervals and shares: the project's own).
func TestCalibrationDue(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	const hour = int64(time.Hour / time.Millisecond)
	for _, c := range []struct {
		name       string
		rule       CalibrationRule
		days, ran  int64 // since the last one; days −1 for never
		want       CalibrationState
		why        string
		leftHours  int64
		withoutDay bool
	}{
		{"never", CalibrationRule{180, 200}, -1, 0, NeverCalibrated, "nobody", 0, true},
		{"fresh", CalibrationRule{180, 200}, 1, hour, Calibrated, "", 199, false},
		{"soon by date", CalibrationRule{100, 200}, 90, 0, CalibrateSoon, "90 days ago", 200, false},
		{"overdue by date", CalibrationRule{100, 200}, 100, hour, Overdue, "due every 100", 199, false},
		{"not yet badly", CalibrationRule{100, 200}, 149, 0, Overdue, "149 days", 200, false},
		{"badly by date", CalibrationRule{100, 200}, 150, 0, BadlyOverdue, "150 days", 200, false},
		{"overdue by hours", CalibrationRule{100, 200}, 99, 210 * hour, Overdue, "ran 210 hours", -10, false},
		{"badly by hours", CalibrationRule{100, 200}, 10, 300 * hour, BadlyOverdue, "ran 300 hours", -100, false},
		{"by hours alone", CalibrationRule{0, 200}, 4_000, 100 * hour, Calibrated, "", 100, true},
		{"by nothing", CalibrationRule{0, 0}, 4_000, 9_000 * hour, Calibrated, "", 0, true},
	} {
		var last *time.Time
		if c.days >= 0 {
			at := now.Add(-time.Duration(c.days) * 24 * time.Hour)
			last = &at
		}
		got := c.rule.Judge(last, c.ran, now)
		if got.State != c.want || !strings.Contains(got.Why, c.why) || (c.why == "") != (got.Why == "") {
			t.Errorf("%s: %+v", c.name, got)
		}
		if (got.DueAt == nil) != c.withoutDay || got.LeftHours != nil && *got.LeftHours != c.leftHours {
			t.Errorf("%s: due %v, %v hours left", c.name, got.DueAt, got.LeftHours)
		}
		if got.Late() != (c.want == Overdue || c.want == BadlyOverdue) {
			t.Errorf("%s: late %t", c.name, got.Late())
		}
	}
}
