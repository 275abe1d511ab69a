package plan_test

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

var update = flag.Bool("update", false, "rewrite golden files")

// TestI13_SameInputSameBytes: a plan can be recomputed from its drawing bit for bit. The digests
// are kept; running the tests with GOAMD64=v3, where the compiler may fuse products into sums, has
// to give the same ones.
func TestI13_SameInputSameBytes(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"bed-sign", "plant-labels"} {
		first, again := mustMake(t, demo(t, name+".svg")), mustMake(t, demo(t, name+".svg"))
		data, digest, err := first.Encode()
		if err != nil {
			t.Fatal(err)
		}
		same, _, err := again.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(data, same) {
			t.Fatalf("%s: two plans of one drawing differ", name)
		}
		back, err := plan.Decode(data)
		if err != nil {
			t.Fatal(err)
		}
		if twice, _, err := back.Encode(); err != nil || !bytes.Equal(twice, data) {
			t.Fatalf("%s: decoded and encoded again it differs (%v)", name, err)
		}
		lines := sha256.New()
		n := 0
		for l := range plan.Lines(first, bench(), geom.Pt(12_345, 6_789)) {
			fmt.Fprintln(lines, l.Text, l.EndMS)
			n++
		}
		got := fmt.Sprintf("planner %s\nplan %s\nlines %d %x\n", first.Planner, digest, n, lines.Sum(nil))
		golden(t, name+".golden", []byte(got))
		golden(t, name+".picture.svg", plan.Picture(first, "plan"))
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s has changed (a change of what a plan holds needs a new planner version; -update rewrites it):\n%.400s", name, got)
	}
}
