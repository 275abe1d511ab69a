package checklist_test

import (
	"strings"
	"testing"

	"kerfgate/checklist"
)

// What is asked before a paused run goes on, each no by itself; a pen asks for the sheet alone.
func TestLookedAgain(t *testing.T) {
	t.Parallel()
	f := facts()
	for name, c := range map[string]struct {
		saw       checklist.LookedAgain
		beam, pen string // what it says; empty: it goes on
	}{
		"all looked at": {checklist.LookedAgain{NoGlow: true, Unmoved: true, EyewearOn: true}, "", ""},
		"a glow":        {checklist.LookedAgain{Unmoved: true, EyewearOn: true}, "glows, smokes or burns", ""},
		"moved":         {checklist.LookedAgain{NoGlow: true, EyewearOn: true}, "was moved", "was moved"},
		"no eyewear":    {checklist.LookedAgain{NoGlow: true, Unmoved: true}, "a pair on", ""},
	} {
		for tool, want := range map[int]string{0: c.beam, 1: c.pen} {
			no := c.saw.Refuse(f.Profile.Tools[tool])
			if want == "" && len(no) > 0 || want != "" && (len(no) != 1 || !strings.Contains(no[0].What, want) || no[0].Next == "") {
				t.Errorf("%s, %s: %v", name, f.Profile.Tools[tool].Name, no)
			}
		}
	}
	if no := (checklist.LookedAgain{}).Refuse(f.Profile.Tools[0]); len(no) != 3 {
		t.Errorf("nothing looked at: %v", no)
	}
}
