package motion

import (
	"math"
	"strings"
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

// pictureRow is 100 mm along x at 100 mm/s on a machine of 1 m/s², so that each ramp is 5 mm long.
func pictureRow(on ...geom.Span) Job {
	return Job{
		Limits: square, InMotion: true, WorkUMPerS: 200_000,
		Strokes: []Stroke{{Points: []geom.Point{{}, geom.Pt(100_000, 0)}, On: on, SpeedUMPerS: 100_000, PowerPermille: 500}},
	}
}

func texts(j Job) string {
	var out []string
	for l := range Lines(j) {
		out = append(out, l.Text)
	}
	return strings.Join(out, "|")
}

func span(from, to int64) geom.Span { return geom.Span{From: from, To: to} }

// TestToldEarly: at 100 mm/s a switch that follows after 20 ms is told 2 mm before a part begins, one that
// lets go after 30 ms 3 mm before it ends.
func TestToldEarly(t *testing.T) {
	t.Parallel()
	j := pictureRow(span(20_000, 40_000), span(60_000, 80_000))
	j.OnDelayMS, j.OffDelayMS = 20, 30
	// The last 23 mm last 255 ms and are two lines.
	want := "G21|G90|M5|M3 S0|G1 X18.000 Y0.000 F6000.000|G1 X37.000 Y0.000 F6000.000 S500|G1 X58.000 Y0.000 F6000.000 S0|" +
		"G1 X77.000 Y0.000 F6000.000 S500|G1 X91.000 Y0.000 F6000.000 S0|G1 X100.000 Y0.000 F6000.000 S0|M5|M5|M2"
	if got := texts(j); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got := j.Total().Problems; len(got) != 0 {
		t.Errorf("problems %+v", got)
	}
	total := j.Total()
	if total.WorkUM != 40_000 || total.WorkMS != 400 || total.TravelUM != 60_000 || total.WaitMS != 0 || total.TotalMS != 1100 {
		t.Errorf("totals %+v", total)
	}
	if total.OnPermilleMicros != 500*400_000 {
		t.Errorf("%d ‰·µs, want 200 000 000", total.OnPermilleMicros)
	}
}

// TestWholeStrokeInMotion: a stroke that is on from end to end waits at rest for the tool to come on
// and is told off before its end, so that no spot is burned there.
func TestWholeStrokeInMotion(t *testing.T) {
	t.Parallel()
	j := pictureRow()
	j.OnDelayMS, j.OffDelayMS, j.JitterMS = 20, 30, 5
	want := "G21|G90|M5|M3 S500|G4 P0.020|G1 X99.550 Y0.000 F6000.000|G1 X100.000 Y0.000 F6000.000 S0|M5|G4 P0.005|M5|M2"
	if got := withoutParts(texts(j)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if total := j.Total(); total.WorkUM != 100_000 || total.WaitMS != 25 || total.JitterUM != 13 { // from rest: 1 m/s² × (5 ms)² / 2
		t.Errorf("totals %+v", total)
	}
	j.Strokes[0].On = []geom.Span{span(50_000, 60_000)}
	// 100 mm/s × 5 ms.
	if um := JitterUM(20_000, 100); um != 2_000 { // 20 mm/s for 0.1 s, by hand
		t.Errorf("jitter of 0.1 s at 20 mm/s: %d µm", um)
	}
	if total := j.Total(); total.JitterUM != 500 {
		t.Errorf("jitter moves a line's end by %d µm, want 500", total.JitterUM)
	}
}

// withoutParts leaves out the lines into which one longer than 250 ms is divided, but for the last.
func withoutParts(text string) string {
	lines := strings.Split(text, "|")
	var out []string
	for i, l := range lines {
		if i+1 < len(lines) && strings.HasPrefix(l, "G1") && strings.HasPrefix(lines[i+1], "G1") && !strings.Contains(lines[i+1], "S") {
			continue
		}
		out = append(out, l)
	}
	return strings.Join(out, "|")
}

// TestSwitchCannotFollow: parts and gaps shorter than the switch's delays are named and not hidden.
func TestSwitchCannotFollow(t *testing.T) {
	t.Parallel()
	j := pictureRow(span(20_000, 22_000), span(40_000, 50_000), span(51_000, 60_000))
	j.OnDelayMS, j.OffDelayMS, j.JitterMS = 20, 30, 1
	got := j.Total().Problems
	want := []Problem{
		{Kind: TooShort, Span: 0, Count: 1, NeedMicros: 31_000, HaveMicros: 20_000},
		{Kind: TooClose, Span: 2, Count: 1, NeedMicros: 21_000, HaveMicros: 10_000},
	}
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	// The switch comes on at 20 mm and needs 30 ms to let go: 3 mm; the second gap becomes 2 mm.
	if total := j.Total(); total.WorkUM != 3_000+10_000+8_000 {
		t.Errorf("%d µm with the tool on", total.WorkUM)
	}
	j = pictureRow(span(10_000, 5_000), span(20_000, 30_000), span(25_000, 40_000))
	if got := j.Total().Problems; len(got) != 1 || got[0].Kind != Disordered || got[0].Count != 2 {
		t.Errorf("problems %+v", got)
	}
	j = pictureRow()
	j.LongestOnMS = 1_000
	if got := j.Total().Problems; len(got) != 1 || got[0] != (Problem{Kind: TooLong, NeedMicros: 1_100_000, HaveMicros: 1_000_000}) {
		t.Errorf("problems %+v", got)
	}
}

// TestSwitchedAtRest: where the machine cannot switch in motion each part goes from rest to rest and the
// way between is travel.
func TestSwitchedAtRest(t *testing.T) {
	t.Parallel()
	j := pictureRow(span(20_000, 40_000), span(60_000, 80_000))
	j.InMotion, j.OnDelayMS, j.OffDelayMS = false, 20, 30
	want := "G21|G90|M5|G0 X20.000 Y0.000|M3 S500|G4 P0.020|G1 X40.000 Y0.000 F6000.000|M5|G4 P0.030|G0 X60.000 Y0.000|" +
		"M3 S500|G4 P0.020|G1 X80.000 Y0.000 F6000.000|M5|G4 P0.030|M5|M2"
	if got := withoutParts(strings.ReplaceAll(texts(j), "G0 X10.000 Y0.000|", "")); strings.Contains(got, "S0") || !sameEnds(got, want) {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	total := j.Total()
	// 20 mm at 100 mm/s from rest to rest: 0.3 s; 20 mm of travel at 200 mm/s: 2√(0.02 m / 1 m/s²) = 0.283 s.
	if total.WorkMS != 600 || total.WorkUM != 40_000 || total.TravelUM != 40_000 || total.WaitMS != 100 || total.TravelMS != 566 {
		t.Errorf("totals %+v", total)
	}
	// A corner within a part stays in it.
	j.Strokes[0] = Stroke{Points: []geom.Point{{}, geom.Pt(10_000, 0), geom.Pt(10_000, 10_000), geom.Pt(0, 10_000)},
		On: []geom.Span{span(5_000, 25_000)}, SpeedUMPerS: 100_000, PowerPermille: 500}
	if got := j.parts(j.Strokes[0]); len(got) != 1 || len(got[0]) != 4 || got[0][0] != geom.Pt(5_000, 0) || got[0][3] != geom.Pt(5_000, 10_000) {
		t.Errorf("parts %v", got)
	}
}

// sameEnds compares lines but for the parts of travel.
func sameEnds(got, want string) bool {
	var a []string
	lines := strings.Split(got, "|")
	for i, l := range lines {
		if strings.HasPrefix(l, "G0") && strings.HasPrefix(lines[i+1], "G0") {
			continue
		}
		a = append(a, l)
	}
	return strings.Join(a, "|") == want
}

// switching draws a job with everything at once.
func switching(t *rapid.T) Job {
	j := job(t)
	j.OnDelayMS, j.OffDelayMS, j.JitterMS = rapid.Int64Range(0, 40).Draw(t, "on"), rapid.Int64Range(0, 40).Draw(t, "off"), rapid.Int64Range(0, 5).Draw(t, "jitter")
	j.InMotion, j.Levels = rapid.Bool().Draw(t, "in motion"), rapid.Bool().Draw(t, "levels")
	j.StepUM = rapid.Int64Range(1, 60).Draw(t, "step")
	if rapid.Bool().Draw(t, "backlash") {
		j.BacklashXUM, j.BacklashYUM = j.StepUM*rapid.Int64Range(0, 9).Draw(t, "bx"), j.StepUM*rapid.Int64Range(0, 9).Draw(t, "by")
	}
	j.WorkUMPerS, j.SpotUM = 100_000, rapid.Int64Range(50, 500).Draw(t, "spot")
	for i := range j.Strokes {
		at, length := int64(0), geom.Length(j.Strokes[i].Points)
		for range rapid.IntRange(0, 6).Draw(t, "parts") {
			from := at + rapid.Int64Range(0, 8_000).Draw(t, "gap")
			to := from + rapid.Int64Range(1, 9_000).Draw(t, "part")
			if to > length {
				break
			}
			j.Strokes[i].On, at = append(j.Strokes[i].On, span(from, to)), to
		}
	}
	return j
}

// TestSwitchingLines: whatever is asked for, lines mean what they say, end when the totals say, and
// burn what the totals say; every coordinate is one that the machine resolves or lies between two
// such on a straight way.
func TestSwitchingLines(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		j := switching(rt)
		total := j.Total()
		m := &interpreter{t: t, at: snap(j.Origin, j.StepUM)}
		var last Line
		box, moved := geom.Box{}, false
		for l := range Lines(j) {
			m.take(l)
			if d := l.EndMS - last.EndMS; d < 0 || d > LongestLineMS {
				rt.Fatalf("%q takes %d ms", l.Text, d)
			}
			last = l
			if strings.HasPrefix(l.Text, "G0") || strings.HasPrefix(l.Text, "G1") {
				if !moved {
					box, moved = geom.Box{Min: m.at, Max: m.at}, true
				}
				box = box.With(m.at)
			}
		}
		if !m.ended || m.ready || last.EndMS != total.TotalMS {
			rt.Fatalf("ended %v, ready %v, at %d ms of %d", m.ended, m.ready, last.EndMS, total.TotalMS)
		}
		if moved && !box.Move(geom.Pt(-snap(j.Origin, j.StepUM).X, -snap(j.Origin, j.StepUM).Y)).Inside(total.Reach) {
			rt.Fatalf("lines reach %v, totals say %v", box, total.Reach)
		}
		if d := total.TotalMS - total.WorkMS - total.TravelMS - total.WaitMS; d < -3 || d > 3 {
			rt.Fatalf("totals do not add up: %+v", total)
		}
		var sum int64
		var um float64
		var end int64
		for b := range burns(j) {
			if b.Micros <= 0 || b.AtMicros < end || b.Permille <= 0 || b.Permille > j.Strokes[b.Stroke].PowerPermille {
				rt.Fatalf("%+v after %d µs", b, end)
			}
			end = b.AtMicros + b.Micros
			sum += b.Permille * b.Micros
			um += geom.Distance(b.From, b.To)
		}
		pieces := float64(len(j.Strokes) * 200)
		if math.Abs(um-float64(total.WorkUM)) > pieces {
			rt.Fatalf("burned %.0f µm, totals say %d", um, total.WorkUM)
		}
		if sum != total.OnPermilleMicros {
			rt.Fatalf("burned %d ‰·µs, totals say %d", sum, total.OnPermilleMicros)
		}
	})
}
