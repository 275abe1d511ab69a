package web

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite golden files")

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs from its golden file; run with -update and look at the difference:\n%s", name, got)
	}
}

func TestGateSVG(t *testing.T) {
	t.Parallel()
	problem := sampleGate(3)
	problem.Bars[3].Problem = "this is lot P117"
	golden(t, "gate-small.svg", string(GateSVG(problem, GateSmall)))
	golden(t, "gate-locked.svg", string(GateSVG(Gate{Locked: true, Bars: problem.Bars}, GateSmall)))
	golden(t, "gate-beam-down.svg", string(GateSVG(Gate{Bars: problem.Bars[3:]}, GateBeam)))
	golden(t, "gate-beam-up.svg", string(GateSVG(Gate{Bars: problem.Bars[:1]}, GateBeam)))
	golden(t, "gate-record.svg", string(GateSVG(sampleGate(5), GateRecord)))
}

// TestGateSVG_Tells: whoever cannot see the drawing hears how many bars are down and which.
func TestGateSVG_Tells(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		gate Gate
		want string
	}{
		{sampleGate(5), "gate: all 5 bars up"},
		{sampleGate(4), "gate: 1 bar of 5 down: Beam supply on"},
		{sampleGate(3), "gate: 2 bars of 5 down: Material verified, Beam supply on"},
		{Gate{}, "gate shut"},
		{Gate{Locked: true, Bars: sampleGate(5).Bars}, "gate crossed: locked out"},
	} {
		for _, size := range []GateSize{GateSmall, GateRecord} {
			if size == GateRecord && (c.gate.Locked || len(c.gate.Bars) == 0) {
				continue
			}
			if svg := string(GateSVG(c.gate, size)); !strings.Contains(svg, `aria-label="`+c.want+`"`) {
				t.Errorf("size %d: want label %q in %.120s", size, c.want, svg)
			}
		}
	}
}

// TestGateSVG_ColourIsNoMeaning: but for the red cross of a lockout the drawing has one colour.
func TestGateSVG_ColourIsNoMeaning(t *testing.T) {
	t.Parallel()
	for _, size := range []GateSize{GateSmall, GateBeam, GateRecord} {
		if svg := string(GateSVG(sampleGate(2), size)); strings.Contains(svg, `="#`) && !strings.Contains(svg, `href="#sign-`) {
			t.Errorf("size %d: a colour besides currentColor in %s", size, svg)
		}
	}
	if svg := string(GateSVG(Gate{Locked: true}, GateSmall)); !strings.Contains(svg, "#850d16") {
		t.Error("a locked gate has no red cross")
	}
}

const hostile = `<script>alert(1)</script>"'><img src=x onerror=alert(1)>`

func TestHostileNamesStayText(t *testing.T) {
	t.Parallel()
	gate := Gate{Bars: []GateBar{{Key: hostile, Title: hostile, Said: []string{hostile}, Up: true}, {Key: "x", Title: hostile, Problem: hostile}}}
	svg := string(GateSVG(gate, GateSmall)) + string(GateSVG(gate, GateRecord)) + string(GateSVG(gate, GateBeam))
	plain := func(what, html string) {
		t.Helper()
		for _, bad := range []string{"<script>", "<img src=x", `"'>`} {
			if strings.Contains(html, bad) {
				t.Errorf("%s holds %q as markup", what, bad)
			}
		}
	}
	plain("gate", svg)

	var b bytes.Buffer
	station := sampleStation("checking")
	station.Machine.Name, station.Machine.Bay, station.Machine.ID = hostile, hostile, hostile
	station.Run.JobTitle, station.Run.Lot, station.Run.Operator, station.Run.Reason = hostile, hostile, hostile, hostile
	station.Run.Order, station.Run.Warnings = []string{hostile}, []Reason{{What: hostile, Next: hostile}}
	for i := range station.Run.Bars {
		station.Run.Bars[i].Title, station.Run.Bars[i].Said, station.Run.Bars[i].Needs = hostile, []string{hostile}, hostile
		for j := range station.Run.Bars[i].Fields {
			station.Run.Bars[i].Fields[j].Value, station.Run.Bars[i].Fields[j].Choices = hostile, []string{hostile}
		}
	}
	station.WorkerURL = hostile
	if err := RenderStation(&b, station); err != nil {
		t.Fatal(err)
	}
	job := sampleJob()
	job.JobTitle, job.Title, job.DrawingName, job.Member = hostile, hostile, hostile, hostile
	job.Runs[1].Gate, job.Runs[1].Words = &gate, hostile
	if err := RenderJob(&b, job); err != nil {
		t.Fatal(err)
	}
	form := sampleHandIn()
	form.DrawingName, form.JobTitle = hostile, hostile
	form.Groups[0].Words, form.Groups[0].Colour = hostile, hostile
	form.Problem = &Problem{Title: hostile, Reasons: []Reason{{What: hostile, Next: hostile, Value: hostile, Limit: hostile}}}
	if err := RenderHandIn(&b, form); err != nil {
		t.Fatal(err)
	}
	lanes := sampleLanes()
	lanes[0].Queue[0].Title, lanes[0].Queue[0].Who, lanes[2].Lockout.Reason = hostile, hostile, hostile
	lanes[0].Queue[0].Href = "javascript:alert(1)"
	if err := RenderBoard(&b, BoardView{Shell: sampleShell("Board", "/"), Lanes: lanes}); err != nil {
		t.Fatal(err)
	}
	log := sampleLogbook()
	log.Entries[0].Who, log.Entries[0].On, log.Entries[0].More, log.Run = hostile, hostile, []string{hostile}, hostile
	if err := RenderLogbook(&b, log); err != nil {
		t.Fatal(err)
	}
	plain("pages", b.String())
	if strings.Contains(b.String(), `href="javascript:`) {
		t.Error("a link runs script")
	}
}
