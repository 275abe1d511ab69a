package plan_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

// TestSteps: a plan is stepped through by what comes loose, in the order of its pieces and in its own
// time; whatever a step names is in strip and picture; and where the track says that the carriage is when
// a piece comes loose, the motion lines have it too.
func TestSteps(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"bed-sign", "plant-labels"} {
		req := demo(t, name+".svg")
		p := mustMake(t, req)
		s := plan.StepsOf(p, req.Profile)
		strip, picture := plan.Strip(p, "x"), plan.Picture(p, "y")
		var numbers []int64
		at := int64(0)
		for i, step := range s.Steps {
			if step.FromMS != at || step.ToMS <= at || len(step.Pieces) == 0 && step.Operation == plan.Cut {
				t.Errorf("%s: step %d: %+v", name, i, step)
			}
			at = step.ToMS
			for _, n := range step.Pieces {
				numbers = append(numbers, n)
				for _, want := range [][]byte{fmt.Appendf(nil, `id="x-piece-%d" data-piece="%[1]d"`, n), fmt.Appendf(nil, `id="y-piece-%d" data-piece="%[1]d"`, n)} {
					if bytes.Count(strip, want)+bytes.Count(picture, want) != 1 {
						t.Errorf("%s: no %s", name, want)
					}
				}
			}
		}
		if len(numbers) != len(p.Pieces) || !slices.IsSorted(numbers) || s.Steps[0].Operation != plan.Mark {
			t.Errorf("%s: %+v", name, s.Steps)
		}
		if at > s.TotalMS || at < s.TotalMS-100 || s.TotalMS != p.Numbers.TotalMS {
			t.Errorf("%s: ends at %d of %d ms", name, at, s.TotalMS)
		}
		if m := regexp.MustCompile(`viewBox="0 0 ([0-9.]+) ([0-9.]+)"`).FindSubmatch(picture); m == nil ||
			string(m[1]) != thousandths(s.WidthUM) || string(m[2]) != thousandths(s.HeightUM) {
			t.Errorf("%s: %d × %d µm, picture %s", name, s.WidthUM, s.HeightUM, m)
		}
		onTrack(t, p, req, s)
	}
}

func thousandths(um int64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%d.%03d", um/1000, um%1000), "0"), ".")
}

// onTrack holds the track against the motion lines: at the end of each line with the beam on, the
// carriage lies where the track has it then, within what the track leaves out.
func onTrack(t *testing.T, p *plan.Plan, req plan.Request, s plan.Steps) {
	t.Helper()
	corner := geom.Pt(0, 0) // of the picture: the plan's origin lies a margin in, above the lower edge
	margin := (s.WidthUM - p.SheetSize.X) / 2
	corner.X, corner.Y = -margin, s.HeightUM-margin
	looked, worst := 0, 0.0
	for l := range plan.Lines(p, req.Profile, geom.Point{}) {
		var x, y float64
		if !l.On || !strings.HasPrefix(l.Text, "G1 ") {
			continue
		}
		if n, _ := fmt.Sscanf(l.Text, "G1 X%f Y%f", &x, &y); n != 2 {
			continue
		}
		i, ok := slices.BinarySearch(s.Track.MS, l.EndMS)
		if !ok || s.Track.On[i] == 0 {
			continue
		}
		looked++
		q := geom.Pt(s.Track.XUM[i]+corner.X, corner.Y-s.Track.YUM[i])
		worst = max(worst, geom.Distance(q, geom.Pt(int64(1000*x), int64(1000*y))))
	}
	if looked < 20 || worst > 500 {
		t.Errorf("%d places looked at, the worst %.0f µm off", looked, worst)
	}
}

// TestStepsAreBounded: of a million ways a track keeps some thousand places, in order.
func TestStepsAreBounded(t *testing.T) {
	t.Parallel()
	var body strings.Builder
	for i := range 9_000 {
		fmt.Fprintf(&body, `<path d="M%d.5 %dh.6"/>`, i%150, i/150*2)
	}
	req := request(inMM(body.String()))
	req.Default = plan.Mark
	p := mustMake(t, req)
	s := plan.StepsOf(p, req.Profile)
	if n := len(s.Track.MS); n < 2_000 || n > 8_000 || n != len(s.Track.XUM) || n != len(s.Track.YUM) || n != len(s.Track.On) || !slices.IsSorted(s.Track.MS) {
		t.Errorf("%d places", n)
	}
	if len(s.Steps) != 1 || s.Track.MS[len(s.Track.MS)-1] != s.Steps[0].ToMS {
		t.Errorf("%+v", s.Steps)
	}
	data, err := json.Marshal(s)
	if err != nil || len(data) > 300_000 {
		t.Errorf("%d bytes, %v", len(data), err)
	}
	if s = plan.StepsOf(&plan.Plan{}, req.Profile); len(s.Steps) != 0 || len(s.Track.MS) != 1 {
		t.Errorf("of nothing: %+v", s)
	}
}

// TestHotSpotsAreShaded: a picture shows the places that the plan calls hot, at their place.
func TestHotSpotsAreShaded(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<path d="M10 10h10"/><path d="M10 10.03h10"/><path d="M10 10.06h10"/><path d="M10 10.09h10"/>`))
	req.Default = plan.Mark
	p := mustMake(t, req)
	if len(p.Hot) == 0 {
		t.Fatal("nothing is hot")
	}
	picture := plan.Picture(p, "z")
	if n := elements(t, picture); n["hot-spot"] != len(p.Hot) || n["pattern"] != 2 {
		t.Errorf("%v", n)
	}
	var png, without bytes.Buffer
	if err := plan.PicturePNG(&png, p); err != nil {
		t.Fatal(err)
	}
	p.Hot = nil
	if err := plan.PicturePNG(&without, p); err != nil || bytes.Equal(png.Bytes(), without.Bytes()) {
		t.Errorf("the pixels do not show them (%v)", err)
	}
}
