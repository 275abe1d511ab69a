package checklist_test

import (
	"strings"
	"testing"
	"time"

	"kerfgate/checklist"
)

// What asks for a second person in a workshop, and what becomes of it on a site of one: refused, or a
// substitute. The grounds are common practice (published makerspace rules name reflective work and first runs).
func TestSecondPerson(t *testing.T) {
	t.Parallel()
	now := facts().Today
	for name, c := range map[string]struct {
		change  func(f *checklist.Facts)
		because string // in a workshop; empty: nobody is asked for
		refused string // on a site of one
	}{
		"nothing":           {func(*checklist.Facts) {}, "", ""},
		"a hot spot":        {func(f *checklist.Facts) { f.Circumstances.HotSpots = 1 }, "1 hot spot", "1 hot spot: that asks for a second person"},
		"hot spots":         {func(f *checklist.Facts) { f.Circumstances.HotSpots = 7 }, "7 hot spots", "7 hot spots"},
		"plan of old":       {func(f *checklist.Facts) { f.Circumstances.Counted = false }, "before its hot spots were kept", "before its hot spots were kept"},
		"mirror":            {func(f *checklist.Facts) { f.Material.Name = "mirror acrylic" }, "reflective work", "reflective work"},
		"hazard says so":    {func(f *checklist.Facts) { f.Material.Hazards = []string{"Reflects the beam"} }, "reflective work", "reflective work"},
		"a new material":    {func(f *checklist.Facts) { f.Circumstances.New = true }, "first run in a new material", ""}, // a test piece stands for it
		"after a lockout":   {func(f *checklist.Facts) { f.Circumstances.LiftedAt = now.Add(-time.Hour) }, "first run after a lockout", ""},
		"straight after it": {func(f *checklist.Facts) { f.Circumstances.LiftedAt = now.Add(-4 * time.Minute) }, "first run after a lockout", "rests ten minutes: 6m0s left"},
		"a pen": {func(f *checklist.Facts) {
			f.Circumstances.HotSpots, f.Circumstances.LiftedAt, f.Tool = 3, now, f.Profile.Tools[1]
		}, "", ""},
	} {
		f := facts()
		c.change(&f)
		list := checklist.Standard(f.Profile).ForFacts(f)
		second, asked := list.Item(checklist.ItemSecond)
		if asked != (c.because != "") {
			t.Errorf("%s: a second person is asked for: %t", name, asked)
		}
		if asked {
			if bar := checklist.Judge(second, nil, nil, f); bar.Up || !strings.Contains(bar.Needs, c.because) {
				t.Errorf("%s: needs %q, up %t", name, bar.Needs, bar.Up)
			}
			if bar := checklist.Judge(second, checklist.Values{checklist.SecondField: "somebody"}, nil, f); !bar.Up {
				t.Errorf("%s: somebody signed in for it and the bar is down: %s", name, bar.Problem)
			}
		}
		if no := checklist.AloneRefusals(f); len(no) > 0 {
			t.Errorf("%s: a workshop is refused: %v", name, no)
		}
		f.Circumstances.Alone = true
		if _, asked := checklist.Standard(f.Profile).ForFacts(f).Item(checklist.ItemSecond); asked {
			t.Errorf("%s: a site of one is asked for a second person", name)
		}
		no := checklist.AloneRefusals(f)
		if c.refused == "" && len(no) > 0 || c.refused != "" && (len(no) != 1 || !strings.Contains(no[0].What, c.refused) || no[0].Next == "") {
			t.Errorf("%s, alone: %v", name, no)
		}
	}
	// The pause ends to the second.
	f := facts()
	f.Circumstances.Alone, f.Circumstances.LiftedAt = true, now.Add(-checklist.PauseAfterLockout)
	if no := checklist.AloneRefusals(f); len(no) > 0 {
		t.Errorf("after ten minutes: %v", no)
	}
	f.Circumstances.LiftedAt = f.Circumstances.LiftedAt.Add(time.Second)
	if no := checklist.AloneRefusals(f); len(no) != 1 || no[0].Kind != checklist.BecauseNotYet {
		t.Errorf("a second before: %v", no)
	}
}
