package planfile_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerfgate/deploy/demo"
	"kerfgate/deploy/planfile"
	"kerfgate/plan"
)

func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func window(t *testing.T) string {
	t.Helper()
	for _, d := range demo.Drawings() {
		if d.File == "window.svg" {
			return write(t, d.File, string(d.Data()))
		}
	}
	t.Fatal("no such drawing")
	return ""
}

// TestFiles: everything is written, and the plan is the one that the numbers name.
func TestFiles(t *testing.T) {
	t.Parallel()
	out := filepath.Join(t.TempDir(), "new", "folder")
	var said bytes.Buffer
	err := planfile.Run(planfile.Config{File: window(t), Machine: "bay-1", Material: "poplar-plywood", Out: out, Print: &said,
		Operations: write(t, "operations.json", `{"D": "mark", "default": "cut"}`)})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"pieces: 1, drop-outs: 9", "assumed", "which nobody has proven", "hot spots: 0", "written"} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("no %q in\n%s", want, said.String())
		}
	}
	files := map[string][]byte{}
	for _, name := range []string{"picture.svg", "picture.png", "strip.svg", "steps.json", "motion-lines.txt", "numbers.json", "plan.cbor", "dose.png"} {
		if files[name], err = os.ReadFile(filepath.Join(out, name)); err != nil {
			t.Error(err)
		}
	}
	for _, name := range []string{"picture.png", "dose.png"} {
		if _, err := png.Decode(bytes.NewReader(files[name])); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	var numbers struct {
		Plan    string
		Numbers plan.Numbers
		Assumed []string
	}
	if err := json.Unmarshal(files["numbers.json"], &numbers); err != nil {
		t.Fatal(err)
	}
	p, err := plan.Decode(files["plan.cbor"])
	if err != nil {
		t.Fatal(err)
	}
	if _, digest, err := p.Encode(); err != nil || digest.String() != numbers.Plan || p.Numbers.CutUM != numbers.Numbers.CutUM || len(numbers.Assumed) != 2 {
		t.Errorf("plan %s, numbers of %s, assumed %q (%v)", digest, numbers.Plan, numbers.Assumed, err)
	}
	lines := strings.Split(strings.TrimSpace(string(files["motion-lines.txt"])), "\n")
	if len(lines) < 100 || lines[0] != "G21" || lines[len(lines)-1] != "M2" {
		t.Errorf("%d lines from %q to %q", len(lines), lines[0], lines[len(lines)-1])
	}
}

// TestSeeds: a machine and a material of one's own are enough; what was assumed is said.
func TestSeeds(t *testing.T) {
	t.Parallel()
	profile, err := json.Marshal(demo.LiddedCutter())
	if err != nil {
		t.Fatal(err)
	}
	material := func(verdict string) string {
		return write(t, "material.json", `{"name": "my card", "composition": [{"name": "cellulose"}], "verdict": "`+verdict+`"}`)
	}
	cfg := planfile.Config{File: window(t), Machine: write(t, "profile.json", string(profile)), Material: material("allowed"), JSON: true}
	var said bytes.Buffer
	cfg.Print = &said
	if err := planfile.Run(cfg); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"seeds for a first trial, which nobody has proven", "3 mm thick"} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("no %q", want)
		}
	}
	cfg.Material = material("with care")
	var refused *planfile.RefusedError
	if err := planfile.Run(cfg); !errors.As(err, &refused) || refused.ExitCode() != 3 || !strings.Contains(err.Error(), "names no run that proved it") {
		t.Errorf("with care: %v", err)
	}
}

// TestWrongInput: each mistake is told with what to do next, under the exit status for it.
func TestWrongInput(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, want string
		status     int
		spoil      func(c *planfile.Config)
	}{
		{"no file", "no such file", 2, func(c *planfile.Config) { c.File = "none.svg" }},
		{"a folder", "is a folder", 2, func(c *planfile.Config) { c.File = "." }},
		{"no example", "bay-1, bay-2, bay-3", 2, func(c *planfile.Config) { c.Machine = "bay-9" }},
		{"a field too many", `unknown field "power"`, 2, func(c *planfile.Config) { c.Material = write(t, "m.json", `{"power": 3}`) }},
		{"no JSON", "is not what --stock takes", 2, func(c *planfile.Config) { c.Stock = write(t, "s.json", `thickness 3`) }},
		{"two values", "goes on after", 2, func(c *planfile.Config) { c.Choices = write(t, "c.json", `{} {}`) }},
		{"no tool", `no tool "knife"`, 3, func(c *planfile.Config) { c.Tool = "knife" }},
		{"PDF", "the file is a PDF", 3, func(c *planfile.Config) { c.File = write(t, "d.svg", "%PDF-1.7") }},
		{"too large", "larger than the sheet", 3, func(c *planfile.Config) {
			c.Stock = write(t, "s.json", `{"thickness_um": 3000, "sheet_width_um": 50000, "sheet_height_um": 50000}`)
		}},
		{"array", "larger than the sheet", 3, func(c *planfile.Config) {
			c.Choices = write(t, "c.json", `{"array": {"columns": 9, "rows": 9, "gap_um": 2000}}`)
		}},
		{"no unit", `--choices FILE with {"unit_um": 1000} for millimetres`, 3, func(c *planfile.Config) {
			c.File = write(t, "d.dxf", "0\nSECTION\n2\nENTITIES\n0\nCIRCLE\n10\n20\n20\n20\n40\n9\n0\nENDSEC\n0\nEOF\n")
		}},
		{"no setting", "say it with: --settings", 3, func(c *planfile.Config) { c.Settings = write(t, "s.json", `[]`) }},
		{"another's lot", "is card, not poplar plywood", 2, func(c *planfile.Config) { c.Stock = "c204" }},
		{"operation", `no group "Q" (operations: limit A`, 3, func(c *planfile.Config) { c.Operations = write(t, "o.json", `{"Q": "cut"}`) }},
	} {
		cfg := planfile.Config{File: window(t), Machine: "bay-1", Material: "poplar-plywood", Print: &bytes.Buffer{}}
		tc.spoil(&cfg)
		err := planfile.Run(cfg)
		var coded interface{ ExitCode() int }
		if !errors.As(err, &coded) || coded.ExitCode() != tc.status || !strings.Contains(err.Error(), tc.want) || !strings.Contains(err.Error(), "next: ") {
			t.Errorf("%s: %v", tc.name, err)
		}
	}
}
