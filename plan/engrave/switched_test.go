package engrave_test

import (
	"testing"

	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
	"pgregory.net/rapid"
)

// bars are upright bars 2 mm high, given by where each begins and ends.
func bars(ends ...int64) []engrave.Area {
	var outlines [][]geom.Point
	for i := 0; i+1 < len(ends); i += 2 {
		a, b := ends[i], ends[i+1]
		outlines = append(outlines, []geom.Point{geom.Pt(a, 0), geom.Pt(b, 0), geom.Pt(b, 2_000), geom.Pt(a, 2_000), geom.Pt(a, 0)})
	}
	return outlined(outlines...)
}

// slowish is a beam that follows 2 ms late, at worst one more: at 100 mm/s it makes lines and blanks of 0.3 mm
// and more (own arithmetic, v·t).
func slowish() engrave.Pattern {
	p := pattern()
	p.PitchUM, p.SpotUM = 200, 200
	p.Switch.OnDelayMS, p.Switch.OffDelayMS, p.Switch.JitterMS = 2, 2, 1
	return p
}

// TestWhatTheSwitchMakes: level lines are driven without stopping where the switch can make their lines and
// blanks; too short a line is a row from rest to rest, before too short a blank the carriage stops, and a
// blank that the tool's own width covers is none.
func TestWhatTheSwitchMakes(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name         string
		ends         []int64
		rows, atRest int // of each level line
		marked       int64
	}{
		{"long enough", []int64{0, 400, 800, 1_200}, 1, 0, 800},
		{"a short line", []int64{0, 400, 800, 1_000}, 2, 1, 600},
		{"a short blank", []int64{0, 400, 650, 1_050}, 2, 0, 800},
		{"a covered blank", []int64{0, 400, 600, 1_000}, 1, 0, 1_000},
		{"only short lines", []int64{0, 100, 900, 1_000}, 2, 2, 200},
		{"short lines beside a covered blank", []int64{0, 200, 300, 500}, 1, 0, 500},
	} {
		rows, err := engrave.Areas(bars(tc.ends...), slowish(), engrave.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		const levels = 10 // 2 mm at a pitch of 0.2 mm
		atRest := 0
		for _, r := range rows {
			if len(r.On) == 0 {
				atRest++
			}
		}
		if len(rows) != levels*tc.rows || atRest != levels*tc.atRest || marked(rows) != levels*tc.marked {
			t.Errorf("%s: %d rows, %d from rest to rest, %d µm; want %d, %d, %d", tc.name, len(rows), atRest, marked(rows), levels*tc.rows, levels*tc.atRest, levels*tc.marked)
		}
	}
	fast := slowish()
	fast.SpeedUMPerS = 100_001 // both ends off by more than a pitch
	rows, err := engrave.Areas(bars(0, 4_000), fast, engrave.Limits{})
	if err != nil || len(rows) != 10 || len(rows[0].On) != 0 {
		t.Errorf("jitter beyond the pitch: %v %v", rows, err)
	}
}

// TestRowsCanBeDriven: whatever the switch and the bars, the motion of the rows finds no line and no blank that
// the switch cannot make.
func TestRowsCanBeDriven(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := pattern()
		p.PitchUM, p.SpotUM = rapid.Int64Range(50, 400).Draw(t, "pitch"), rapid.Int64Range(0, 400).Draw(t, "spot")
		p.SpeedUMPerS = rapid.Int64Range(2_000, 300_000).Draw(t, "speed")
		p.Switch = machine.Switch{Kind: machine.SwitchLevel, InMotion: true, OnDelayMS: rapid.Int64Range(0, 8).Draw(t, "on"),
			OffDelayMS: rapid.Int64Range(0, 8).Draw(t, "off"), JitterMS: rapid.Int64Range(0, 3).Draw(t, "jitter")}
		var ends []int64
		for at := int64(0); len(ends) < 12; {
			ends = append(ends, at, at+rapid.Int64Range(200, 4_000).Draw(t, "bar"))
			at = ends[len(ends)-1] + rapid.Int64Range(1, 4_000).Draw(t, "blank")
		}
		rows, err := engrave.Areas(bars(ends...), p, engrave.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		j := motion.Job{Limits: motion.Limits{TravelUMPerS: p.TravelUMPerS, AccelXUMPerS2: p.AccelUMPerS2, AccelYUMPerS2: p.AccelUMPerS2},
			OnDelayMS: p.Switch.OnDelayMS, OffDelayMS: p.Switch.OffDelayMS, JitterMS: p.Switch.JitterMS, InMotion: true, WorkUMPerS: p.SpeedUMPerS}
		for _, r := range rows {
			j.Strokes = append(j.Strokes, motion.Stroke{Points: r.Points, On: r.On, SpeedUMPerS: p.SpeedUMPerS, PowerPermille: 500})
		}
		if got := j.Total().Problems; len(got) != 0 {
			t.Fatalf("problems %+v", got)
		}
	})
}
