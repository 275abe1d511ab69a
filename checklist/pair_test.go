package checklist_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"kerfgate/checklist"
)

func withPairs() checklist.Facts {
	f := facts()
	f.Pairs = []checklist.Pair{
		{Label: "pair 1", Marking: "180-460 OD 6", LookedAt: f.Today.AddDate(0, -1, 0)},
		{Label: "pair 2", Marking: "180-460 OD 6", Damaged: true, LookedAt: f.Today},
		{Label: "pair 3", Marking: "10600 D LB6", LookedAt: f.Today},
	}
	return f
}

// The station offers only the registered pairs that fit this beam and are whole; each other one says
// why not.
func TestPairsOffered(t *testing.T) {
	t.Parallel()
	f := withPairs()
	var fit []string
	for _, v := range checklist.Pairs(f) {
		if v.Fits {
			fit = append(fit, v.Label)
		} else if v.Why == "" {
			t.Errorf("%s does not fit and says no reason", v.Label)
		}
	}
	if !slices.Equal(fit, []string{"pair 1"}) {
		t.Fatalf("offered %q, want pair 1 alone: pair 2 is scratched, pair 3 is for another wavelength", fit)
	}
	bar := checklist.Judge(item(t, checklist.ItemEyewear), nil, nil, f)
	if len(bar.Item.Fields) != 2 || !slices.Equal(bar.Item.Fields[0].Choices, fit) {
		t.Errorf("asked for %+v, want the label among the pairs that fit, and whether it is on", bar.Item.Fields)
	}
}

func TestPairByLabel(t *testing.T) {
	t.Parallel()
	none := withPairs()
	none.Pairs = none.Pairs[1:]
	old := item(t, checklist.ItemEyewear)
	old.Fields = old.Fields[1:] // a machine whose list was made before the register
	for _, c := range []struct {
		name            string
		item            checklist.Item
		given, standing checklist.Values
		facts           checklist.Facts
		answered, up    bool
	}{
		{"fits", item(t, checklist.ItemEyewear), checklist.Values{"pair": "Pair 1", "on": "yes"}, nil, withPairs(), true, true},
		{"not on", item(t, checklist.ItemEyewear), checklist.Values{"pair": "pair 1", "on": "no"}, nil, withPairs(), true, false},
		{"damaged", item(t, checklist.ItemEyewear), checklist.Values{"pair": "pair 2", "on": "yes"}, nil, withPairs(), true, false},
		{"another beam", item(t, checklist.ItemEyewear), checklist.Values{"pair": "pair 3", "on": "yes"}, nil, withPairs(), true, false},
		{"not registered", item(t, checklist.ItemEyewear), checklist.Values{"pair": "pair 9", "on": "yes"}, nil, withPairs(), true, false},
		{"a visitor's own pair by its marking", item(t, checklist.ItemEyewear), checklist.Values{"marking": "180-460 OD 6", "on": "yes"}, nil, withPairs(), true, true},
		{"standing", item(t, checklist.ItemEyewear), checklist.Values{"on": "yes"}, checklist.Values{"pair": "pair 1"}, withPairs(), true, true},
		{"standing, damaged since", item(t, checklist.ItemEyewear), checklist.Values{"on": "yes"}, checklist.Values{"pair": "pair 2"}, withPairs(), true, false},
		{"no pair fits, so the marking is asked", item(t, checklist.ItemEyewear), checklist.Values{"on": "yes"}, nil, none, false, false},
		{"an older list asks the marking", old, checklist.Values{"on": "yes"}, nil, withPairs(), false, false},
	} {
		bar := checklist.Judge(c.item, c.given, c.standing, c.facts)
		if bar.Answered != c.answered || bar.Up != c.up {
			t.Errorf("%s: answered %v, up %v (%s), want %v and %v", c.name, bar.Answered, bar.Up, bar.Problem, c.answered, c.up)
		}
		if c.up && bar.Values["marking"] != "180-460 OD 6" {
			t.Errorf("%s: the record holds %v, want the marking that was judged", c.name, bar.Values)
		}
	}
}

func TestPairRegistered(t *testing.T) {
	t.Parallel()
	for _, p := range []checklist.Pair{{Marking: "445 OD 6"}, {Label: " pair", Marking: "445 OD 6"}, {Label: "pair 1"}, {Label: "pair 1", Marking: "dark green"}} {
		if err := p.Validate(); err == nil {
			t.Errorf("%+v was taken", p)
		}
	}
	if err := (checklist.Pair{Label: "pair 1", Marking: "445 RB 3"}).Validate(); !errors.Is(err, checklist.ErrMarking) {
		t.Errorf("a pair for aligning only: %v, want ErrMarking", err)
	}
	if err := (checklist.Pair{Label: "pair 1", Marking: "445 OD 6", LookedAt: time.Now()}).Validate(); err != nil {
		t.Error(err)
	}
}
