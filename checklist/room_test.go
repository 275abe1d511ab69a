package checklist_test

import (
	"strings"
	"testing"

	"kerfgate/checklist"
	"kerfgate/plan/machine"
)

// openRoom is an open diode in a room of its own, working card, with two pairs that fit.
func openRoom() checklist.Facts {
	f := facts()
	f.Profile.Enclosure, f.Material.Name = machine.Enclosure{Kind: machine.EnclosureOpen}, "card"
	f.Pairs = []checklist.Pair{{Label: "pair 1", Marking: "180-460 OD 6"}, {Label: "pair 2", Marking: "180-460 OD 6"},
		{Label: "pair 3", Marking: "10600 D LB6"}}
	return f
}

// An open beam asks for the room on either kind of site; a lid counts as an enclosure only with an interlock
// that takes the beam away (common practice after IEC 60825-1: access to the beam without tools).
func TestOpenBeamAsksForTheRoom(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		enclosure machine.Enclosure
		tool      int
		asks      bool
	}{
		"open":                     {machine.Enclosure{Kind: machine.EnclosureOpen}, 0, true},
		"lid without interlock":    {machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60}, 0, true},
		"lid with interlock":       {machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60, Interlock: true}, 0, false},
		"interlock without a lid":  {machine.Enclosure{Kind: machine.EnclosureOpen, Interlock: true}, 0, true},
		"nobody said what it is":   {machine.Enclosure{}, 0, true},
		"a pen on an open machine": {machine.Enclosure{Kind: machine.EnclosureOpen}, 1, false},
	} {
		for _, alone := range []bool{false, true} {
			f := facts()
			f.Profile.Enclosure, f.Circumstances.Alone, f.Tool = c.enclosure, alone, f.Profile.Tools[c.tool]
			list := checklist.Standard(f.Profile).ForRun(f.Profile, f.Tool).ForFacts(f)
			_, asks := list.Item(checklist.ItemRoom)
			if asks != c.asks {
				t.Errorf("%s, alone %t: asks for the room %t", name, alone, asks)
			}
			if c.tool == 0 && list.Items[len(list.Items)-1].Key != checklist.ItemSupply {
				t.Errorf("%s: the supply is not last", name)
			}
		}
	}
}

// Door shut and marked, windows covered, everybody inside counted with a pair that fits.
func TestRoomControlled(t *testing.T) {
	t.Parallel()
	f := openRoom()
	room, ok := checklist.Standard(f.Profile).ForFacts(f).Item(checklist.ItemRoom)
	if !ok {
		t.Fatal("no item")
	}
	answer := func(covered, people, pairs, door string) checklist.Values {
		return checklist.Values{"covered": covered, "people": people, "pairs": pairs, "door": door}
	}
	for name, c := range map[string]struct {
		given checklist.Values
		says  string // empty: it passes
	}{
		"one":                    {answer("yes", "1", "1", "yes"), ""},
		"two":                    {answer("yes", "2", "2", "yes"), ""},
		"door open":              {answer("yes", "1", "1", "no"), "door shut: no"},
		"windows open":           {answer("no", "1", "1", "yes"), "windows covered, door marked: no"},
		"one without a pair":     {answer("yes", "2", "1", "yes"), "1 of 2 people inside have a pair"},
		"more than the register": {answer("yes", "3", "3", "yes"), "the register has 2 pairs that fit"},
		"nobody":                 {answer("yes", "0", "0", "yes"), "no count of people"},
		"minus one":              {answer("yes", "-1", "-1", "yes"), "no count of people"},
		"half a person":          {answer("yes", "1.5", "1", "yes"), "no count of people"},
		"not a number":           {answer("yes", "NaN", "1", "yes"), "no count of people"},
		"a crowd":                {answer("yes", "51", "51", "yes"), "no count of people"},
		"more pairs than people": {answer("yes", "1", "2", "yes"), "no count of up to 1"},
	} {
		bar := checklist.Judge(room, c.given, nil, f)
		if !bar.Answered || bar.Up != (c.says == "") || !strings.Contains(bar.Problem, c.says) || !bar.Up && bar.Next == "" {
			t.Errorf("%s: up %t, %q, next %q", name, bar.Up, bar.Problem, bar.Next)
		}
	}
	if !strings.Contains(checklist.Judge(room, nil, nil, f).Needs, "the register has 2") {
		t.Error("the bar does not say how many pairs fit")
	}
}

// Without an enclosure: paper and card, light wood for marking, and no more than a length of lines (the kinds
// after published workshop rules, the length our own).
func TestOpenBeamSheets(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(f *checklist.Facts)
		says   string
	}{
		"card cut":           {func(f *checklist.Facts) { f.Circumstances.CutUM = 5_000_000 }, ""},
		"plywood marked":     {func(f *checklist.Facts) { f.Material.Name, f.Circumstances.MarkUM = "poplar plywood", 1_000_000 }, ""},
		"plywood cut":        {func(f *checklist.Facts) { f.Material.Name, f.Circumstances.CutUM = "poplar plywood", 1 }, "does not cut it"},
		"felt":               {func(f *checklist.Facts) { f.Material.Name = "wool felt" }, "is not for a beam that nothing encloses"},
		"20 m":               {func(f *checklist.Facts) { f.Circumstances.CutUM, f.Circumstances.MarkUM = 15_000_000, 5_000_000 }, ""},
		"a little over 20 m": {func(f *checklist.Facts) { f.Circumstances.CutUM, f.Circumstances.EngraveUM = 15_000_000, 5_000_001 }, "21 m of lines"},
		"felt in a lid": {func(f *checklist.Facts) {
			f.Material.Name, f.Profile.Enclosure = "wool felt", machine.Enclosure{Kind: machine.EnclosureLidded, Interlock: true}
		}, ""},
		"felt with a pen": {func(f *checklist.Facts) { f.Material.Name, f.Tool = "wool felt", f.Profile.Tools[1] }, ""},
	} {
		f := openRoom()
		c.change(&f)
		no := checklist.OpenRefusals(f)
		if c.says == "" && len(no) > 0 || c.says != "" && (len(no) != 1 || !strings.Contains(no[0].What, c.says) || no[0].Next == "") {
			t.Errorf("%s: %v", name, no)
		}
	}
}

// Bed and air assist are answered once in four hours; a cutting run wants the assist on.
func TestBed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		assist, clear string
		cutUM         int64
		up            bool
	}{
		"on, cutting":    {checklist.AssistOn, "yes", 1, true},
		"low, cutting":   {checklist.AssistLow, "yes", 1, false},
		"low, engraving": {checklist.AssistLow, "yes", 0, true},
		"off":            {checklist.AssistOff, "yes", 0, false},
		"none to be had": {checklist.AssistNone, "yes", 1, true},
		"dirty":          {checklist.AssistOn, "no", 0, false},
	} {
		f := facts()
		f.Circumstances.CutUM = c.cutUM
		standing := checklist.Values{"assist": c.assist, "clear": c.clear}
		if bar := checklist.Judge(item(t, checklist.ItemBed), nil, standing, f); bar.Up != c.up || !bar.Standing {
			t.Errorf("%s: up %t, %q", name, bar.Up, bar.Problem)
		}
	}
}
