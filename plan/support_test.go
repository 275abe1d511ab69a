package plan_test

import (
	"strings"
	"testing"
)

// TestSupports: what may fall between the bed's supports or tip over one is told where the profile knows
// how far they lie apart, and not where it does not.
func TestSupports(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		supportUM int64
		want      string // part of a warning; empty = none about supports
	}{{0, ""}, {5_000, ""}, {30_000, "may tip"}, {60_000, "may fall"}} {
		req := request(inMM(`<rect x="20" y="20" width="40" height="40"/>`))
		req.Profile.SupportUM = c.supportUM
		var told []string
		for _, w := range mustMake(t, req).Warnings {
			if strings.Contains(w.What, "may fall") || strings.Contains(w.What, "may tip") {
				told = append(told, w.What)
			}
		}
		if got := strings.Join(told, "; "); c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("supports %d µm apart: told %q, want %q", c.supportUM, got, c.want)
		}
	}
}
