package oracle_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/svg"
)

// svgFiles gives all SVG files below a folder.
func svgFiles(t testing.TB, dir string) (files []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err == nil && !entry.IsDir() && strings.HasSuffix(path, ".svg") {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(files)
	return files
}

// reading is a file as we read it and as the browser draws it.
type reading struct {
	name string
	ours *drawing.Drawing
	err  error
	seen seen
}

// readings reads all files and has the browser draw those that are not refused.
func readings(t *testing.T, files []string) (all []*reading) {
	t.Helper()
	var sheets []sheet
	var drawn []*reading
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		r := &reading{name: filepath.Join(filepath.Base(filepath.Dir(file)), filepath.Base(file))}
		if r.ours, r.err = svg.Read(data, drawing.Limits{}); r.err == nil {
			sheets = append(sheets, sheet{file, r.ours.WidthMM, r.ours.HeightMM})
			drawn = append(drawn, r)
		}
		all = append(all, r)
	}
	for i, s := range openChromium(t).draw(t, sheets) {
		drawn[i].seen = s
	}
	return all
}

// TestSVGInBrowser holds the reader against Chromium's own geometry, on cases of ours with every
// path command, shape and transform.
func TestSVGInBrowser(t *testing.T) {
	t.Parallel()
	all := readings(t, svgFiles(t, filepath.Join("testdata", "svg")))
	if len(all) < 60 {
		t.Fatalf("only %d cases", len(all))
	}
	shapes := 0
	for _, r := range all {
		if r.err != nil {
			t.Errorf("%s: %v", r.name, r.err)
			continue
		}
		if len(r.seen.Shapes)+len(r.seen.Images) == 0 {
			t.Errorf("%s: the browser draws nothing", r.name)
		}
		shapes += len(r.seen.Shapes)
		for _, fault := range wrongIn(r.ours, r.seen) {
			t.Errorf("%s: %s", r.name, fault)
		}
	}
	t.Logf("%d files, %d shapes as the browser draws them", len(all), shapes)
}

// TestOpenSVGInBrowser reads the open test files of a renderer (linebender/resvg, commit 08c79a3) and
// holds them against Chromium. Every file is the same as in the browser, or what is left out of it is
// named, or it is refused with a reason; none is wrong.
func TestOpenSVGInBrowser(t *testing.T) {
	t.Parallel()
	files := svgFiles(t, dataFolder(t, "svg"))
	same, named, refused, wrong := 0, 0, 0, 0
	for _, r := range readings(t, files) {
		if r.err != nil {
			refused++
			t.Logf("refused: %s: %v", r.name, r.err)
			continue
		}
		switch faults := wrongIn(r.ours, r.seen); {
		case len(faults) > 0:
			wrong++
			t.Errorf("wrong: %s: %s", r.name, strings.Join(faults, "; "))
		case leftOut(r.ours) != "":
			named++
			t.Logf("named: %s: %s", r.name, leftOut(r.ours))
		default:
			same++
		}
	}
	t.Logf("%d files: %d the same as the browser, %d with something left out and named, %d refused with a reason, %d wrong", len(files), same, named, refused, wrong)
	if same < len(files)/2 {
		t.Errorf("only %d files are the same", same)
	}
}

// leftOut gives what is named beyond a missing page size and shapes that reach over the page.
func leftOut(d *drawing.Drawing) string {
	var out []string
	for _, n := range d.Notices {
		if !strings.Contains(n.What, "the drawing has no size") && !strings.Contains(n.What, "reaches beyond") {
			out = append(out, n.What)
		}
	}
	return strings.Join(out, ", ")
}
