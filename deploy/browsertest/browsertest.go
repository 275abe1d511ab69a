// Package browsertest starts a real Chromium for tests.
package browsertest

import (
	"context"
	"os/exec"
	"testing"

	"github.com/chromedp/chromedp"
)

// Open starts Chromium with one tab of the size in CSS px and ends it with the test. A missing Chromium
// fails the test: make install-test installs it.
func Open(t testing.TB, width, height int64, flags ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		t.Fatal("no Chromium on this machine: make install-test installs it")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-gpu", true))
	// Its own context: the clean-up must still reach the browser after the test's context ended.
	alloc, stop := chromedp.NewExecAllocator(context.Background(), append(options, flags...)...)
	ctx, closeTab := chromedp.NewContext(alloc)
	t.Cleanup(func() { closeTab(); stop() })
	// The browser lives as long as the context of the first call, so that one has no limit.
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height)); err != nil {
		t.Fatalf("start %s: %v", path, err)
	}
	return ctx
}
