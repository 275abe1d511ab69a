package browsertest

import (
	"context"
	_ "embed"
	"testing"
)

//go:embed cut.js
var cutScript string

// Cut tells which words of the page that is open do not stand whole: broken over lines, or cut off at an edge.
func Cut(t testing.TB, ctx context.Context) (faults []string) {
	t.Helper()
	ask(t, ctx, cutScript+"cutWords.look()", &faults)
	return faults
}
