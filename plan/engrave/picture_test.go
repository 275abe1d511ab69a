package engrave_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

// drawn is a picture of text: '#' is black, '.' white; a pixel is sizeMM wide and high.
func drawn(sizeMM float64, rows ...string) drawing.Picture {
	pic := drawing.Picture{Width: len(rows[0]), Height: len(rows), Right: drawing.Vec{X: sizeMM}, Down: drawing.Vec{Y: sizeMM}}
	for _, r := range rows {
		for _, c := range r {
			grey := uint8(255)
			if c == '#' {
				grey = 0
			}
			pic.Grey = append(pic.Grey, grey)
		}
	}
	return pic
}

func written(rows []engrave.Row) string {
	var text strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&text, "%d: %d > %d:", r.Points[0].Y, r.Points[0].X, r.Points[1].X)
		for _, s := range r.On {
			fmt.Fprintf(&text, " %d-%d", s.From, s.To)
		}
		text.WriteByte('\n')
	}
	return text.String()
}

// TestRowsOfPicture: golden rows of a small picture. The lowest comes first; blank ends are left out
// and so is the blank row; over-travel is 5 mm (100 mm/s at 1000 mm/s²); each row begins at the end
// that is nearer.
func TestRowsOfPicture(t *testing.T) {
	t.Parallel()
	pic := drawn(0.1,
		"..####..",
		"........",
		".#.##..#",
		"#.......")
	pic.Origin = drawing.Vec{X: 10, Y: 2}
	p := pattern()
	got, err := engrave.Picture(pic, p, engrave.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if want := "" +
		"-2350: 5000 > 15100: 5000-5100\n" +
		"-2250: 15800 > 5100: 5000-5100 5300-5500 5600-5700\n" +
		"-2050: 5200 > 15600: 5000-5400\n"; written(got) != want {
		t.Errorf("\n%swant\n%s", written(got), want)
	}
	p.OneWay = true
	if got, err = engrave.Picture(pic, p, engrave.Limits{}); err != nil {
		t.Fatal(err)
	}
	if want := "" +
		"-2350: 5000 > 15100: 5000-5100\n" +
		"-2250: 5100 > 15800: 5000-5100 5200-5400 5600-5700\n" +
		"-2050: 5200 > 15600: 5000-5400\n"; written(got) != want {
		t.Errorf("one way:\n%swant\n%s", written(got), want)
	}
	for name, blank := range map[string]drawing.Picture{"white": square(255), "nearly white": square(254)} {
		p.Halftone = engrave.Threshold
		if rows, err := engrave.Picture(blank, p, engrave.Limits{}); err != nil || len(rows) != 0 {
			t.Errorf("%s: %d rows, %v", name, len(rows), err)
		}
	}
}

// TestBlanks: a blank is passed at 100 mm/s or travelled at up to 400 mm/s and 1000 mm/s², whichever
// is quicker. By hand: g mm take g/100 s; braking and running in 0.1 s each for 5 mm, and from rest
// to rest over g − 10 mm (under 160 mm, so without a constant part) 2·√((g − 10)/1000) s. Equal near
// 68.3 mm.
func TestBlanks(t *testing.T) {
	t.Parallel()
	for blank, rows := range map[int]int{1: 1, 9: 1, 11: 1, 40: 1, 68: 1, 69: 2, 100: 2, 300: 2} {
		if stop := 0.2 + 2*math.Sqrt(float64(blank-10)/1000); blank > 10 && blank < 170 && (float64(blank)/100 > stop) != (rows == 2) {
			t.Errorf("the table is wrong at %d mm", blank)
		}
		pic := drawn(1, "#"+strings.Repeat(".", blank)+"#")
		p := pattern()
		p.PitchUM = 1000
		got, err := engrave.Picture(pic, p, engrave.Limits{})
		if err != nil || len(got) != rows {
			t.Errorf("a blank of %d mm: %d rows, %v; want %d", blank, len(got), err, rows)
		}
		p.TravelUMPerS = p.SpeedUMPerS
		if got, err = engrave.Picture(pic, p, engrave.Limits{}); err != nil || len(got) != 1 {
			t.Errorf("a blank of %d mm, no quicker travel: %d rows, %v", blank, len(got), err)
		}
	}
}

func TestWithin(t *testing.T) {
	t.Parallel()
	pic := square(0)
	pic.Origin = drawing.Vec{X: 12, Y: -20} // x 12 to 22, y 10 to 20 mm
	p := pattern()
	p.SpeedUMPerS, p.AccelUMPerS2 = 300_000, 3_000_000
	p.Within = geom.Box{Min: geom.Pt(-3000, 10_000), Max: geom.Pt(37_000, 20_000)}
	if _, err := engrave.Picture(pic, p, engrave.Limits{}); err != nil {
		t.Errorf("exactly within: %v", err)
	}
	p.Within.Min.X = 0
	_, err := engrave.Picture(pic, p, engrave.Limits{})
	r := refusal(t, err)
	if want := "the rows need 15 mm beyond either end of the lines, so that the speed is constant on them: 300 mm/s at 3000 mm/s² take v²/2a = 15 mm"; r.What != want {
		t.Errorf("%q", r.What)
	}
	if want := "move the drawing further in, or make it smaller, or engrave at 268 mm/s at most"; r.Next != want {
		t.Errorf("%q", r.Next)
	}
	if r.Limit != "x 0 to 37, y 10 to 20 mm" || r.Value != "x -3 to 37, y 10.05 to 19.95 mm" {
		t.Errorf("limit %q, value %q", r.Limit, r.Value)
	}
	p.SpeedUMPerS = 268_000 // 268²/6000 = 11.97 mm, 269²/6000 = 12.06 mm
	if _, err := engrave.Picture(pic, p, engrave.Limits{}); err != nil {
		t.Errorf("as slow as is said: %v", err)
	}
	p.SpeedUMPerS = 269_000
	_, err = engrave.Picture(pic, p, engrave.Limits{})
	refusal(t, err)
	p.Within.Min.X = 13_000
	_, err = engrave.Picture(pic, p, engrave.Limits{})
	if r := refusal(t, err); r.What != "the lines to engrave lie beyond where the carriage may go" {
		t.Errorf("%q", r.What)
	}
}

// TestPictureRows: of any picture, turned or not: spans go upwards, apart, between the over-travels;
// rows lie on the pitch; what is on is whole dots; the engraved share of the area is the darkness.
func TestPictureRows(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		const size = 40
		grey := rapid.Uint8().Draw(t, "grey")
		pic := drawing.Picture{Width: size, Height: size}
		for range size * size {
			pic.Grey = append(pic.Grey, grey)
		}
		sin, cos := math.Sincos(rapid.Float64Range(0, 2*math.Pi).Draw(t, "turned by"))
		pic.Right, pic.Down = drawing.Vec{X: 0.3 * cos, Y: 0.3 * sin}, drawing.Vec{X: -0.3 * sin, Y: 0.3 * cos}
		p := pattern()
		p.Halftone = rapid.SampledFrom([]engrave.Halftone{engrave.Ordered, engrave.Diffusion}).Draw(t, "halftone")
		p.OneWay = rapid.Bool().Draw(t, "one way")
		p.SpeedUMPerS = rapid.Int64Range(1000, 300_000).Draw(t, "speed")
		rows, err := engrave.Picture(pic, p, engrave.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		over := p.OverTravelUM()
		if over*2*p.AccelUMPerS2 < p.SpeedUMPerS*p.SpeedUMPerS {
			t.Fatalf("over-travel of %d µm", over)
		}
		last := int64(math.MinInt64)
		for _, r := range rows {
			a, b := r.Points[0], r.Points[1]
			if len(r.Points) != 2 || a.Y != b.Y || a.Y < last || a.X == b.X || p.OneWay && a.X > b.X {
				t.Fatalf("row %v after y %d", r, last)
			}
			last = a.Y
			at := over
			for i, s := range r.On {
				if s.From < at || i > 0 && s.From == at || s.To <= s.From || (s.To-s.From)%p.PitchUM != 0 {
					t.Fatalf("spans %v", r.On)
				}
				at = s.To
			}
			if r.On[0].From != over || at != geom.Length(r.Points)-over {
				t.Fatalf("over-travel of %d and %d µm, want %d", r.On[0].From, geom.Length(r.Points)-at, over)
			}
		}
		want := float64(255-int(grey)) / 255
		if got := float64(marked(rows)*p.PitchUM) / 144e6; math.Abs(got-want) > 0.02 {
			t.Fatalf("%.3f of the area is engraved, want %.3f", got, want)
		}
	})
}

func TestPictureIsBounded(t *testing.T) {
	t.Parallel()
	p := pattern()
	p.Halftone = engrave.Ordered
	rows, err := engrave.Picture(square(128), p, engrave.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	spans := 0
	for _, r := range rows {
		spans += len(r.On)
	}
	if _, err := engrave.Picture(square(128), p, engrave.Limits{Spans: spans, Rows: len(rows)}); err != nil {
		t.Errorf("at its limits: %v", err)
	}
	for _, limits := range []engrave.Limits{{Spans: spans - 1}, {Rows: len(rows) - 1}, {Cells: 9_999}, {Samples: 39_999}} {
		_, err := engrave.Picture(square(128), p, limits)
		if r := refusal(t, err); r.Limit == "" || r.Value == "" || r.Next == "" {
			t.Errorf("%+v: %+v", limits, r)
		}
	}
	p.Halftone = "dots"
	_, err = engrave.Picture(square(128), p, engrave.Limits{})
	refusal(t, err)
}

// BenchmarkPicture: a picture of 12 megapixels at 300 × 225 mm, and as the floor going once over
// its pixels.
func BenchmarkPicture(b *testing.B) {
	pic := drawing.Picture{Width: 4000, Height: 3000, Right: drawing.Vec{X: 0.075}, Down: drawing.Vec{Y: 0.075}}
	for i := range pic.Width * pic.Height {
		pic.Grey = append(pic.Grey, uint8(i/4000/12+i%7*5))
	}
	b.Run("floor", func(b *testing.B) {
		sum := 0
		for b.Loop() {
			for _, g := range pic.Grey {
				sum += int(g)
			}
		}
		if sum == 0 {
			b.Fatal("black")
		}
	})
	for _, h := range []engrave.Halftone{engrave.Threshold, engrave.Ordered, engrave.Diffusion} {
		b.Run(string(h), func(b *testing.B) {
			p := pattern()
			p.Halftone = h
			rows := 0
			for b.Loop() {
				got, err := engrave.Picture(pic, p, engrave.Limits{Spans: 10_000_000})
				if err != nil {
					b.Fatal(err)
				}
				rows = len(got)
			}
			b.ReportMetric(float64(rows), "rows")
		})
	}
}
