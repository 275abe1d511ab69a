package browsertest

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"
)

// axeScript reads axe-core from the packages of the oracles, wherever in the module the test stands.
var axeScript = sync.OnceValues(func() (string, error) {
	root, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(root, "go.mod")); err == nil {
			break
		} else if root == filepath.Dir(root) {
			return "", err
		}
		root = filepath.Dir(root)
	}
	script, err := os.ReadFile(filepath.Join(root, "deploy", "oracle", "node_modules", "axe-core", "axe.min.js"))
	return string(script), err
})

// Axe tells what axe-core finds on the page that is open against WCAG 2.2 AA and what is below it: a rule and
// the elements that break it. A missing axe-core fails the test: make install-test installs it.
func Axe(t testing.TB, ctx context.Context) (faults []string) {
	t.Helper()
	axe, err := axeScript()
	if err != nil {
		t.Fatalf("the npm packages of the oracles are not installed; run: make install-test\n%v", err)
	}
	ask(t, ctx, axe+`
;axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}).then((found) => JSON.stringify(found.violations.map(
	(v) => v.id + ": " + v.nodes.slice(0, 3).map((n) => n.target.join(" ") + " (" + (n.any[0]?.message || n.all[0]?.message || v.help) + ")").join("; "))))`, &faults)
	return faults
}
