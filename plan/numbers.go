package plan

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"slices"

	"kerfgate/plan/dose"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
)

// job is the plan as motion sees it. A tool that the profile lacks has no delays.
func (p *Plan) job(profile machine.Profile, origin geom.Point) motion.Job {
	tool, _ := profile.Tool(p.Tool)
	j := motion.JobOf(profile, tool)
	j.Origin, j.Strokes = origin, make([]motion.Stroke, len(p.Strokes))
	for i, s := range p.Strokes {
		j.Strokes[i] = motion.Stroke{Points: s.Points, On: s.On, SpeedUMPerS: s.SpeedUMPerS, PowerPermille: s.PowerPermille}
	}
	return j
}

// Lines renders the plan for the machine, its origin placed at the given point of the bed (machine
// coordinates, µm). The carriage is taken to stand at the origin. Lines are made as they are asked
// for; the tool is off at the end, and who stops early must switch it off.
func Lines(p *Plan, profile machine.Profile, origin geom.Point) iter.Seq[motion.Line] {
	return motion.Lines(p.job(profile, origin))
}

// number computes what the plan takes and gives, and says what of it the machine cannot do as asked.
func (m *maker) number(p *Plan) {
	job := p.job(m.req.Profile, geom.Point{})
	t := job.Total()
	p.Reach = t.Reach
	n := &p.Numbers
	*n = Numbers{
		TotalMS: t.TotalMS, BeamMS: t.WorkMS, TravelMS: t.TravelMS, WaitMS: t.WaitMS, TravelUM: t.TravelUM,
		SnapUM: t.SnapUM, JitterUM: t.JitterUM, DoubledUM: m.doubled, Doses: []OperationDose{},
		SheetPermille: permilleOf(p.Extents, p.SheetSize),
	}
	for _, s := range p.Strokes {
		um := s.MarkedUM()
		n.WorkUM += um
		switch s.Operation {
		case Cut:
			n.CutUM += um
		case Mark:
			n.MarkUM += um
		case Engrave:
			n.EngraveUM += um
		case Draw:
			n.DrawUM += um
		}
	}
	for _, piece := range p.Pieces {
		if piece.Dropout {
			n.Dropouts++
		} else {
			n.Pieces++
		}
	}
	if travel := m.req.Profile.TravelUM; p.Reach.Width() > travel.Width() || p.Reach.Height() > travel.Height() {
		m.refuse(Reason{What: "with over-travel and run-in the carriage needs more than the machine's travel", Next: "engrave slower, or take a larger machine",
			Field: "settings", Limit: sizeText(travel.Width(), travel.Height()), Value: sizeText(p.Reach.Width(), p.Reach.Height())})
	}
	m.tellProblems(job)
	if m.tool.Kind == machine.ToolBeam {
		// mW × µs = nJ; thousandths of it.
		n.EnergyMJ = (m.tool.PowerMW*(t.OnPermilleMicros/1000) + 500_000) / 1_000_000
		m.doses(p, job)
	}
}

// tellProblems warns of what comes out otherwise than drawn, and refuses what must not be done.
func (m *maker) tellProblems(job motion.Job) {
	count := map[motion.ProblemKind]int{}
	worst := map[motion.ProblemKind]motion.Problem{}
	for _, p := range job.Problems() {
		count[p.Kind] += p.Count
		if w, ok := worst[p.Kind]; !ok || p.NeedMicros-p.HaveMicros > w.NeedMicros-w.HaveMicros {
			worst[p.Kind] = p
		}
	}
	for _, k := range []motion.ProblemKind{motion.TooShort, motion.TooClose} {
		if count[k] > 0 {
			m.warn(fmt.Sprintf("%s: %d times, the worst has %s ms of %s", k, count[k], mm(worst[k].HaveMicros), mm(worst[k].NeedMicros)),
				"tool", "work slower, or take a faster switch")
		}
	}
	if p, ok := worst[motion.TooLong]; ok {
		m.refuse(Reason{What: string(motion.TooLong), Next: "work faster, or correct the tool's longest time in the profile", Field: "settings",
			Limit: mm(p.HaveMicros) + " ms", Value: mm(p.NeedMicros) + " ms"})
	}
}

// doses computes where how much of the beam's energy goes, and what it takes away.
func (m *maker) doses(p *Plan, job motion.Job) {
	works := make([]dose.Work, len(p.Strokes))
	for i, s := range p.Strokes {
		works[i] = dose.Work{PitchUM: m.pitches[i], Again: m.again[i]}
		if s.Operation == Cut {
			works[i].KerfUM, works[i].DepthUM = m.settings[Cut].KerfUM, m.req.Stock.ThicknessUM
		}
	}
	d, err := dose.Of(dose.Input{Job: job, PowerMW: m.tool.PowerMW, Works: works,
		Sheet: dose.Sheet{ThicknessUM: m.req.Stock.ThicknessUM, GrammageGPerM2: m.req.Stock.GrammageGPerM2}})
	if err != nil {
		m.refuse(Reason{What: "the dose cannot be computed: " + err.Error(), Next: "divide the drawing", Field: "drawing"})
		return
	}
	p.Numbers.RemovedNL, p.Numbers.FumeUG = d.Removed.VolumeNL, d.Removed.MassUG
	for _, op := range runningOrder {
		o := OperationDose{Operation: op}
		var energy, um int64
		for i, line := range d.Strokes {
			if p.Strokes[i].Operation != op || line.EnergyPJ == 0 {
				continue
			}
			if energy == 0 || line.LeastUJPerMM < o.LeastUJPerMM {
				o.LeastUJPerMM = line.LeastUJPerMM
			}
			o.MostUJPerMM = max(o.MostUJPerMM, line.MostUJPerMM)
			energy, um = energy+line.EnergyPJ/1000, um+line.LengthUM
		}
		if um > 0 {
			o.MeanUJPerMM = energy / um // nJ/µm = µJ/mm
			p.Numbers.Doses = append(p.Numbers.Doses, o)
		}
	}
	for _, h := range d.Hot {
		p.Hot = append(p.Hot, HotSpot{Place: h.Place, EnergyMJ: h.EnergyMJ, Permille: h.Permille, AtMS: h.AtMicros / 1000,
			Stroke: int64(h.Stroke), Why: string(h.Why)})
	}
	p.Numbers.HotSpots = int64(len(d.Hot) + d.More)
	if n := p.Numbers.HotSpots; n > 0 {
		worst := slices.MaxFunc(p.Hot, func(a, b HotSpot) int { return cmp.Compare(a.Permille, b.Permille) })
		m.warn(fmt.Sprintf("hot spots, where more than two and a half passes meet within ten seconds: %d; the worst gets %s passes: %s",
			n, mm(worst.Permille), worst.Why),
			fmt.Sprintf("x %s, y %s mm from the origin", mm(worst.Place.X), mm(worst.Place.Y)), "move lines apart, spread the heat, or watch this place")
	}
}

// DoseMap is where on the sheet the beam's energy goes, in the plan's coordinates.
func DoseMap(p *Plan, profile machine.Profile) (*dose.Map, error) {
	tool, _ := profile.Tool(p.Tool)
	d, err := dose.Of(dose.Input{Job: p.job(profile, geom.Point{}), PowerMW: tool.PowerMW})
	if err != nil {
		return nil, err
	}
	return d.Map, nil
}

// permilleOf is the share of a sheet that a box takes, in thousandths.
func permilleOf(b geom.Box, sheet geom.Point) int64 {
	return int64(math.Round(1000 * float64(b.Width()) * float64(b.Height()) / (float64(sheet.X) * float64(sheet.Y))))
}

// squareMM rounds µm² to mm².
func squareMM(um2 float64) int64 { return int64(math.Round(max(0, um2) / 1e6)) }
