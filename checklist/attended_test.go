package checklist

import (
	"strings"
	"testing"

	"kerfgate/plan/machine"
)

// I9: one operator attends one run with a beam, or two on machines that were named in one view; pens do
// not count, and no third.
func TestI9_AttendedElsewhere(t *testing.T) {
	t.Parallel()
	beam, pen := machine.Tool{Kind: machine.ToolBeam}, machine.Tool{Kind: machine.ToolPen}
	near, far, drawn := Attended{Number: 7, Machine: "near", Beam: true, InView: true}, Attended{Number: 8, Machine: "far", Beam: true}, Attended{Number: 9, Machine: "pen"}
	for name, c := range map[string]struct {
		tool   machine.Tool
		others []Attended
		want   string
	}{
		"nothing":              {beam, nil, ""},
		"a pen elsewhere":      {beam, []Attended{drawn}, ""},
		"a beam elsewhere":     {beam, []Attended{drawn, far}, "you attend run 8 on far"},
		"a beam in view":       {beam, []Attended{near, drawn}, ""},
		"one in view and more": {beam, []Attended{near, far}, "runs 7 and 8"},
		"a pen, two beams on":  {pen, []Attended{near, far}, ""},
	} {
		no, ok := AttendedElsewhere(c.tool, c.others)
		if ok != (c.want == "") || !strings.Contains(no.What, c.want) || !ok && no.Next == "" {
			t.Errorf("%s: %v %+v", name, ok, no)
		}
	}
}
