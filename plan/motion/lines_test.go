package motion

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

// interpreter follows lines as a machine would, by their words alone.
type interpreter struct {
	t       testing.TB
	at      geom.Point
	ready   bool  // M3 was given and no M5 since
	power   int64 // that it was told
	workUM  float64
	waitS   float64
	ended   bool
	corners []geom.Point // where moves with the tool on end
}

func (m *interpreter) take(l Line) {
	m.t.Helper()
	if m.ended {
		m.t.Fatalf("line %q after the end", l.Text)
	}
	words := map[byte]float64{}
	for _, word := range strings.Fields(l.Text) {
		v, err := strconv.ParseFloat(word[1:], 64)
		if err != nil {
			m.t.Fatalf("word %q: %v", word, err)
		}
		words[word[0]] = v
	}
	g, isG := words['G']
	switch {
	case isG && (g == 0 || g == 1):
		if (g == 1) != m.ready {
			m.t.Fatalf("%q with the tool ready: %v", l.Text, m.ready)
		}
		if s, ok := words['S']; ok {
			m.power = int64(s)
		}
		to := geom.Pt(int64(math.Round(words['X']*1000)), int64(math.Round(words['Y']*1000)))
		if g == 1 {
			if words['F'] <= 0 {
				m.t.Fatalf("%q without a speed", l.Text)
			}
			if m.power > 0 {
				m.workUM += geom.Distance(m.at, to)
			}
			m.corners = append(m.corners, to)
		}
		m.at = to
	case isG && g == 4:
		m.waitS += words['P']
	case isG && g != 21 && g != 90:
		m.t.Fatalf("unknown %q", l.Text)
	case words['M'] == 3:
		m.ready, m.power = true, int64(words['S'])
	case words['M'] == 5:
		m.ready, m.power = false, 0
	case words['M'] == 2:
		m.ended = true
	}
	if l.On != (m.power > 0) {
		m.t.Fatalf("%q: power %d, line says %v", l.Text, m.power, l.On)
	}
	if l.Work != (isG && g == 1 && m.power > 0) {
		m.t.Fatalf("%q: work %v", l.Text, l.Work)
	}
}

func job(t *rapid.T) Job {
	j := Job{
		Limits:    limits(t),
		JitterMS:  rapid.Int64Range(0, 30).Draw(t, "jitter"),
		OnDelayMS: rapid.Int64Range(0, 600).Draw(t, "on"), OffDelayMS: rapid.Int64Range(0, 600).Draw(t, "off"),
		Origin: geom.Pt(rapid.Int64Range(-5_000, 5_000).Draw(t, "x"), rapid.Int64Range(-5_000, 5_000).Draw(t, "y")),
	}
	if rapid.Bool().Draw(t, "duty") {
		j.LongestOnMS, j.RestMS = rapid.Int64Range(1_000, 20_000).Draw(t, "longest"), rapid.Int64Range(1, 2_000).Draw(t, "rest")
	}
	for range rapid.IntRange(0, 5).Draw(t, "strokes") {
		j.Strokes = append(j.Strokes, Stroke{
			Points: path(t, 8), SpeedUMPerS: rapid.Int64Range(500, 100_000).Draw(t, "speed"),
			PowerPermille: rapid.Int64Range(1, 1000).Draw(t, "power"),
		})
	}
	return j
}

// TestLinesDoWhatTheJobSays follows the lines by their words and compares with the job: way, times,
// tool off at the end and in travel, no line longer than it may be.
func TestLinesDoWhatTheJobSays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		j := job(rt)
		m := &interpreter{t: t, at: j.Origin}
		var last Line
		var seq int64
		for l := range Lines(j) {
			m.take(l)
			if l.Seq != seq {
				rt.Fatalf("line %d numbered %d", seq, l.Seq)
			}
			seq++
			if d := l.EndMS - last.EndMS; d < 0 || d > LongestLineMS {
				rt.Fatalf("%q takes %d ms", l.Text, d)
			}
			if l.Stroke >= 0 && l.Stroke < last.Stroke {
				rt.Fatalf("stroke %d after %d", l.Stroke, last.Stroke)
			}
			last = l
		}
		if !m.ended || m.ready {
			rt.Fatalf("ended %v, tool ready %v", m.ended, m.ready)
		}
		total := j.Total()
		if last.EndMS != total.TotalMS {
			rt.Fatalf("lines end at %d ms, total is %d ms", last.EndMS, total.TotalMS)
		}
		// Points between are rounded to whole µm, each by at most 0.71 µm.
		if d := math.Abs(m.workUM - float64(total.WorkUM)); d > 2*float64(seq) {
			rt.Fatalf("way with the tool on: %.0f µm, job says %d µm", m.workUM, total.WorkUM)
		}
		i := 0
		for _, s := range j.Strokes {
			for _, p := range straightened(nil, s.Points)[1:] {
				for i < len(m.corners) && m.corners[i] != p.Add(j.Origin) {
					i++
				}
				if i == len(m.corners) {
					rt.Fatalf("point %v is not reached", p)
				}
			}
		}
	})
}

// TestRests: three strokes of about 1 s each on a tool that may be on for 2.5 s.
func TestRests(t *testing.T) {
	t.Parallel()
	j := Job{Limits: square, LongestOnMS: 2_500, RestMS: 700}
	for i := range int64(5) {
		j.Strokes = append(j.Strokes, Stroke{Points: []geom.Point{geom.Pt(0, i*1000), geom.Pt(10_000, i*1000)}, SpeedUMPerS: 10_000, PowerPermille: 1000})
	}
	if got := j.Total().RestMS; got != 2*700 {
		t.Errorf("rests of %d ms, want 1400", got)
	}
	var on, since int64
	wasOn := false
	for l := range Lines(j) {
		switch {
		case l.On && !wasOn:
			since = l.EndMS
		case !l.On && wasOn:
			on += l.EndMS - since
		case strings.HasPrefix(l.Text, "G4"):
			on = 0
		}
		if wasOn = l.On; on > 2_500 {
			t.Fatalf("%d ms of tool without a rest", on)
		}
	}
}

// TestFormat: the words and their digits.
func TestFormat(t *testing.T) {
	t.Parallel()
	j := Job{
		Limits: square, OnDelayMS: 300, OffDelayMS: 5, Origin: geom.Pt(-1_500, 20_000),
		Strokes: []Stroke{{Points: []geom.Point{geom.Pt(1_000, 0), geom.Pt(1_000, 2_005)}, SpeedUMPerS: 16_667, PowerPermille: 350}},
	}
	var got []string
	for l := range Lines(j) {
		got = append(got, l.Text)
	}
	want := "G21|G90|M5|G0 X-0.500 Y20.000|M3 S350|G4 P0.150|G4 P0.150|G1 X-0.500 Y22.005 F1000.020|M5|G4 P0.005|M5|M2"
	if strings.Join(got, "|") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, "|"), want)
	}
}

// TestLinesStopEarly: nothing is made that nobody asks for.
func TestLinesStopEarly(t *testing.T) {
	t.Parallel()
	j := Job{Limits: square, Strokes: []Stroke{{Points: []geom.Point{{}, geom.Pt(100_000, 0)}, SpeedUMPerS: 1_000, PowerPermille: 1}}}
	for stop := range 10 {
		n := 0
		for range Lines(j) {
			if n++; n > stop {
				break
			}
		}
		if n != stop+1 {
			t.Errorf("%d lines, want %d", n, stop+1)
		}
	}
}
