package rowtest

import "testing"

// TestJudge: the judging can fail on either side.
func TestJudge(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		row  Row
		got  any
		good bool
	}{
		"as printed":            {Row{Printed: "46", Off: 0.5}, 46.05, true},
		"off":                   {Row{Printed: "46", Off: 0.5}, 46.6, false},
		"a mark":                {Row{Printed: "LB5"}, "LB5", true},
		"another mark":          {Row{Printed: "LB5"}, "LB4", false},
		"a number for a mark":   {Row{Printed: "LB5"}, 5.0, false},
		"corrected":             {Row{Printed: "3", Correct: "31.9", Off: 0.05}, 31.91, true},
		"as printed wrongly":    {Row{Printed: "3", Correct: "31.9", Off: 0.05}, 3.0, false},
		"neither":               {Row{Printed: "3", Correct: "31.9", Off: 0.05}, 30.0, false},
		"too near to be either": {Row{Printed: "55", Correct: "57.3", Off: 3}, 56.0, false},
	} {
		if got := c.row.judge(c.got) == ""; got != c.good {
			t.Errorf("%s: %v", name, got)
		}
	}
}
