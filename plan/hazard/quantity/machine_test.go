package quantity

import (
	"math"
	"strings"
	"testing"

	"kerfgate/plan/machine"
)

// TestExpected: 18.783 mg in a minute (paperboard, Jeong et al. 2024, abstract) into 150 m³/h come to 7.5
// mg/m³ where the air mixes perfectly, to ten times that with K 10; own arithmetic. What is not known is
// named, and nothing is said of a pen.
func TestExpected(t *testing.T) {
	t.Parallel()
	beam := machine.Tool{Kind: machine.ToolBeam}
	mass, none := int64(18_783), int64(0)
	for name, c := range map[string]struct {
		air     machine.Air
		tool    machine.Tool
		fume    *int64
		onMS    int64
		want    float64
		missing string
		silent  bool
	}{
		"mixed":         {machine.Air{MeasuredFlowM3PerH: 150, MixingFactor: 1}, beam, &mass, 60_000, 7.5132, "", false},
		"as usual":      {machine.Air{MeasuredFlowM3PerH: 150}, beam, &mass, 60_000, 75.132, "", false},
		"twice as long": {machine.Air{MeasuredFlowM3PerH: 150, MixingFactor: 1}, beam, &mass, 120_000, 3.7566, "", false},
		"no flow":       {machine.Air{}, beam, &mass, 60_000, 0, "measured_flow", false},
		"recirculating": {machine.Air{MeasuredFlowM3PerH: 150, Recirculates: true}, beam, &mass, 60_000, 0, "recirculating", false},
		"no grammage":   {machine.Air{MeasuredFlowM3PerH: 150}, beam, nil, 60_000, 0, "grammage", false},
		"a pen":         {machine.Air{MeasuredFlowM3PerH: 150}, machine.Tool{Kind: machine.ToolPen}, &mass, 60_000, 0, "", true},
		"never on":      {machine.Air{MeasuredFlowM3PerH: 150}, beam, &mass, 0, 0, "", true},
		"nothing cut":   {machine.Air{MeasuredFlowM3PerH: 150}, beam, &none, 60_000, 0, "", true},
	} {
		row, ok := Expected(machine.Profile{Air: c.air}, c.tool, c.fume, c.onMS)
		switch {
		case ok == c.silent:
			t.Errorf("%s: said %t", name, ok)
		case c.silent:
		case c.missing != "":
			if row.Result != nil || !strings.Contains(strings.Join(row.Missing, "; "), c.missing) {
				t.Errorf("%s: %+v", name, row)
			}
		case row.Result == nil || math.Abs(*row.Result.Value-c.want) > 1e-9*c.want+1e-12:
			t.Errorf("%s: %+v", name, row)
		case !strings.Contains(row.Title, "estimate") || !strings.Contains(strings.Join(row.Result.Notes, " "), "no proof"):
			t.Errorf("%s is not called an estimate: %+v", name, row)
		}
	}
}
