package web

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var preview = flag.String("preview", "", "folder to write the sample pages to, for looking at")

// TestEveryPageRenders renders each page from a sample; with -preview it also writes them.
func TestEveryPageRenders(t *testing.T) {
	t.Parallel()
	for _, p := range samplePages() {
		var b bytes.Buffer
		if err := p.render(&b); err != nil {
			t.Errorf("%s: %v", p.name, err)
			continue
		}
		if !bytes.HasPrefix(b.Bytes(), []byte("<!doctype html>")) {
			t.Errorf("%s begins with %.40q, want a document", p.name, b.String())
		}
		if *preview != "" {
			if err := os.WriteFile(filepath.Join(*preview, p.name+".html"), b.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}
