package planfile

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"kerfgate/deploy/given"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// summary is numbers.json, and what --json prints.
type summary struct {
	File      string         `json:"file"`
	Planner   string         `json:"planner"`
	Plan      canon.Digest   `json:"plan"`
	Drawing   canon.Digest   `json:"drawing"`
	Profile   canon.Digest   `json:"profile"`
	Tool      string         `json:"tool"`
	Material  string         `json:"material"`
	Stock     string         `json:"stock_lot"`
	Extents   geom.Box       `json:"extents"`
	SheetSize geom.Point     `json:"sheet_size"`
	PurgeS    int64          `json:"purge_s"`
	Strokes   int            `json:"strokes"`
	Groups    []plan.Group   `json:"groups"`
	Pieces    []plan.Piece   `json:"pieces"`
	Reach     geom.Box       `json:"reach"`
	Numbers   plan.Numbers   `json:"numbers"`
	Hot       []plan.HotSpot `json:"hot"`
	Warnings  []plan.Warning `json:"warnings"`
	Assumed   []string       `json:"assumed"`
}

func (m made) summary() summary {
	p := m.plan
	return summary{File: m.file, Planner: p.Planner, Plan: m.digest, Drawing: p.Drawing, Profile: p.Profile, Tool: p.Tool, Material: p.Material,
		Stock: p.Stock, Extents: p.Extents, SheetSize: p.SheetSize, PurgeS: p.PurgeS, Strokes: len(p.Strokes), Groups: p.Groups, Pieces: p.Pieces,
		Reach: p.Reach, Numbers: p.Numbers, Hot: p.Hot, Warnings: p.Warnings, Assumed: m.assumed}
}

func (m made) printJSON(out io.Writer) error {
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	return enc.Encode(m.summary())
}

// write makes the folder if it is missing, writes the files, and says their names. Files of these
// names that are there already are replaced.
func (m *made) write(dir string) (names []string, err error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, &given.UsageError{What: fmt.Sprintf("the folder for the files cannot be made: %v", err), Next: "name another one with --out"}
	}
	id := "plan-" + m.digest.Short()
	for _, f := range []struct {
		name  string
		write func(io.Writer) error
	}{
		{"picture.svg", bytesOf(plan.Picture(m.plan, id))},
		{"picture.png", func(w io.Writer) error { return plan.PicturePNG(w, m.plan) }},
		{"strip.svg", bytesOf(plan.Strip(m.plan, id+"-strip"))},
		{"steps.json", m.steps},
		{"motion-lines.txt", m.motionLines},
		{"numbers.json", m.printJSON},
		{"plan.cbor", bytesOf(m.data)},
		{"dose.png", m.doseMap},
	} {
		if f.name == "dose.png" && m.plan.ToolKind != machine.ToolBeam {
			continue
		}
		if err := writeFile(filepath.Join(dir, f.name), f.write); err != nil {
			return names, fmt.Errorf("%s: %w", f.name, err)
		}
		names = append(names, f.name)
	}
	return names, nil
}

func bytesOf(data []byte) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	}
}

func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<16)
	return errors.Join(write(w), w.Flush(), f.Close())
}

// motionLines streams the lines that a worker would send, the plan's origin at the corner of the
// machine's travel.
func (m made) motionLines(w io.Writer) error {
	for l := range plan.Lines(m.plan, m.request.Profile, m.request.Profile.TravelUM.Min) {
		if _, err := io.WriteString(w, l.Text+"\n"); err != nil {
			return err
		}
	}
	return nil
}

// doseMap draws where the beam's energy goes, and keeps what its darkest pixel stands for.
func (m *made) doseMap(w io.Writer) (err error) {
	m.darkest, err = plan.DosePNG(w, m.plan, m.request.Profile)
	return err
}

// steps is what a page needs to play the plan.
func (m made) steps(w io.Writer) error {
	return json.NewEncoder(w).Encode(plan.StepsOf(m.plan, m.request.Profile))
}

// print tells a person what was planned.
func (m made) print(out io.Writer, dir string, files []string) error {
	p, n := m.plan, m.plan.Numbers
	var b strings.Builder
	row := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-12s %s\n", name, fmt.Sprintf(format, args...))
	}
	fmt.Fprintf(&b, "plan %s of %s, made by %s\n", m.digest.Short(), m.file, p.Planner)
	row("size", "%s × %s mm on a sheet of %s × %s mm, %.1f %% of it", mm(p.Extents.Width()), mm(p.Extents.Height()), mm(p.SheetSize.X),
		mm(p.SheetSize.Y), float64(n.SheetPermille)/10)
	on := "beam on"
	if p.ToolKind == machine.ToolPen {
		on = "pen down"
	}
	row("takes", "%s: %s %s, travel %s, switching and rests %s", duration(n.TotalMS), on, duration(n.BeamMS), duration(n.TravelMS), duration(n.WaitMS))
	row("lengths", "%s, travel %s mm", m.lengths(), mm(n.TravelUM))
	row("loose", "pieces: %d, drop-outs: %d", n.Pieces, n.Dropouts)
	row("accuracy", "snapped by %s mm at most, ends of lines off by %s mm at most", mm(n.SnapUM), mm(n.JitterUM))
	if p.ToolKind == machine.ToolBeam {
		row("beam", "%.3g kJ; purge at least %d s; hot spots: %d", float64(n.EnergyMJ)/1e6, p.PurgeS, n.HotSpots)
		for _, d := range n.Doses {
			row("dose", "%s %.3g to %.3g J/mm, on the whole %.3g", d.Operation, float64(d.LeastUJPerMM)/1e6, float64(d.MostUJPerMM)/1e6, float64(d.MeanUJPerMM)/1e6)
		}
		row("into the air", "%s", fume(n))
	}
	for _, g := range p.Groups {
		row("group "+g.Letter, "%s: layer %q, line %s, shapes: %d, %s mm", m.operationOf(g.Letter), g.Layer, g.Colour, g.Shapes, mm(g.LengthUM))
	}
	for _, a := range m.assumed {
		row("assumed", "%s", a)
	}
	for _, w := range p.Warnings {
		row("warning", "%s (%s)\n%-12s next: %s", w.What, w.Where, "", w.Next)
	}
	for _, name := range files {
		what := ""
		if name == "dose.png" {
			what = fmt.Sprintf(": a pixel is half a millimetre, the darkest %.3g J/mm²", float64(m.darkest)/1e6)
		}
		row("written", "%s%s", filepath.Join(dir, name), what)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// fume is what goes into the air.
func fume(n plan.Numbers) string {
	if n.RemovedNL == 0 {
		return "not known: nothing is cut, and how deep marking and engraving go is not measured"
	}
	text := fmt.Sprintf("%.4g mm³ of material with the cuts", float64(n.RemovedNL)/1000)
	if n.FumeUG == nil {
		return text + "; its mass is not known, since the lot has no grammage"
	}
	return text + fmt.Sprintf(", %.3g g", float64(*n.FumeUG)/1e6)
}

func (m made) operationOf(letter string) plan.Operation {
	if op, ok := m.request.Operations[letter]; ok {
		return op
	}
	return m.request.Default
}

func (m made) lengths() string {
	n := m.plan.Numbers
	var words []string
	for _, l := range []struct {
		op plan.Operation
		um int64
	}{{plan.Engrave, n.EngraveUM}, {plan.Mark, n.MarkUM}, {plan.Draw, n.DrawUM}, {plan.Cut, n.CutUM}} {
		if l.um > 0 {
			words = append(words, fmt.Sprintf("%s %s mm", l.op, mm(l.um)))
		}
	}
	return strings.Join(words, ", ")
}

// duration is a time as people say it.
func duration(ms int64) string {
	s := (ms + 500) / 1000
	switch {
	case ms < 10_000:
		return fmt.Sprintf("%.1f s", float64(ms)/1000)
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600:
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	}
	return fmt.Sprintf("%d h %d min", s/3600, s%3600/60)
}

// mm prints µm as millimetres without trailing zeros.
func mm(um int64) string { return strconv.FormatFloat(float64(um)/1000, 'f', -1, 64) }
