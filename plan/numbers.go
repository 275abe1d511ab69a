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
	j.Origin = origin
	if p.stored != nil {
		j.Each = func(yield func(motion.Stroke) bool) {
			for s := range p.Each() {
				if !yield(s.job()) {
					return
				}
			}
		}
		return j
	}
	j.Strokes = make([]motion.Stroke, len(p.Strokes))
	for i, s := range p.Strokes {
		j.Strokes[i] = s.job()
	}
	return j
}

// job is the stroke as motion sees it.
func (s Stroke) job() motion.Stroke {
	return motion.Stroke{Points: s.Points, On: s.On, SpeedUMPerS: s.SpeedUMPerS, PowerPermille: s.PowerPermille}
}

// Lines renders the plan for the machine, its origin placed at the given point of the bed (machine
// coordinates, µm). The carriage is taken to stand at the origin. Lines are made as they are asked
// for; the tool is off at the end, and who stops early must switch it off. What the profile's geometry says
// of the machine is made up for here, from the origin on.
func Lines(p *Plan, profile machine.Profile, origin geom.Point) iter.Seq[motion.Line] {
	j := p.job(profile, origin)
	if g := p.GeometryOn(profile); g != nil {
		each := j.Each
		if each == nil {
			each = slices.Values(j.Strokes)
		}
		j.Strokes, j.Each = nil, func(yield func(motion.Stroke) bool) {
			for s := range each {
				if !yield(s.Told(g)) {
					return
				}
			}
		}
	}
	return motion.Lines(j)
}

// number computes what the plan takes and gives, and says what of it the machine cannot do as asked.
func (m *maker) number(p *Plan) {
	job := p.job(m.req.Profile, geom.Point{})
	var d *dose.Dose
	var t motion.Totals
	if m.tool.Kind == machine.ToolBeam {
		d = m.dosed(p, job)
	}
	if d != nil { // one walk over the job gives both
		t = d.Totals
	} else {
		t = job.Total()
	}
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
	told := p.GeometryOn(m.req.Profile).ToldBox(p.Reach)
	if travel := m.req.Profile.TravelUM; told.Width() > travel.Width() || told.Height() > travel.Height() {
		m.refuse(Reason{What: "with over-travel and run-in the carriage needs more than the machine's travel", Next: "engrave slower, or take a larger machine",
			Field: "settings", Limit: sizeText(travel.Width(), travel.Height()), Value: sizeText(told.Width(), told.Height())})
	}
	m.tellProblems(t.Problems, p.Strokes)
	if d != nil {
		m.doses(p, d)
	}
}

// tellProblems warns of what comes out otherwise than drawn, and refuses what must not be done.
func (m *maker) tellProblems(problems []motion.Problem, strokes []Stroke) {
	count := map[motion.ProblemKind]int{}
	worst := map[motion.ProblemKind]motion.Problem{}
	for _, p := range problems {
		count[p.Kind] += p.Count
		if w, ok := worst[p.Kind]; !ok || p.NeedMicros-p.HaveMicros > w.NeedMicros-w.HaveMicros {
			worst[p.Kind] = p
		}
	}
	for _, k := range []motion.ProblemKind{motion.TooShort, motion.TooClose, motion.Disordered} {
		if count[k] == 0 {
			continue
		}
		p, next, what := worst[k], "work slower, or take a faster switch", fmt.Sprintf("%s: %d times", k, count[k])
		if p.NeedMicros > 0 {
			what += fmt.Sprintf(", the worst has %s ms of %s", mm(p.HaveMicros), mm(p.NeedMicros))
		} else {
			next = "report it with the drawing"
		}
		at := strokes[p.Stroke].Points[0]
		m.warn(what, fmt.Sprintf("line that begins at x %s, y %s mm from the origin", mm(at.X), mm(at.Y)), next)
	}
	if p, ok := worst[motion.TooLong]; ok {
		m.refuse(Reason{What: string(motion.TooLong), Next: "work faster, or correct the tool's longest time in the profile", Field: "settings",
			Limit: mm(p.HaveMicros) + " ms", Value: mm(p.NeedMicros) + " ms"})
	}
}

// dosed computes where how much of the beam's energy goes, and what it takes away; nil where that
// cannot be done, which is refused.
func (m *maker) dosed(p *Plan, job motion.Job) *dose.Dose {
	works := make([]dose.Work, len(p.Strokes))
	perMM3 := m.perMM3()
	for i, s := range p.Strokes {
		works[i] = dose.Work{PitchUM: m.pitches[i], Again: m.again[i]}
		if s.Operation != Cut {
			works[i].UJPerMM3 = perMM3
		} else {
			works[i].KerfUM, works[i].DepthUM = m.settings[Cut].KerfUM, m.req.Stock.ThicknessUM
			if m.trial != nil { // not known yet
				works[i].KerfUM = m.tool.SpotUM
			}
		}
	}
	d, err := dose.Of(dose.Input{Job: job, PowerMW: m.tool.PowerMW, Works: works,
		Sheet: dose.Sheet{ThicknessUM: m.req.Stock.ThicknessUM, GrammageGPerM2: m.req.Stock.GrammageGPerM2}})
	if err != nil {
		m.refuse(Reason{What: "the dose cannot be computed: " + err.Error(), Next: "divide the drawing", Field: "drawing"})
		return nil
	}
	return d
}

// perMM3 is the energy, in µJ, with which the proven cut takes a cubic millimetre away: its volume dose,
// P/(v·kerf·thickness). What only marks takes away no more for the same energy, since more of it is lost as
// heat; so this errs on the side of more fume. 0 where no cut of this material is proven.
func (m *maker) perMM3() float64 {
	for _, s := range m.req.Settings {
		if Operation(s.Operation) != Cut || s.KerfUM <= 0 || m.req.Stock.ThicknessUM <= 0 {
			continue
		}
		dose := s.DoseUJPerMM
		if dose == 0 {
			dose = s.LineDose(m.tool.PowerMW)
		}
		return float64(dose) / (float64(s.KerfUM) / 1000 * float64(m.req.Stock.ThicknessUM) / 1000)
	}
	return 0
}

// doses says in the plan's numbers what was computed.
func (m *maker) doses(p *Plan, d *dose.Dose) {
	// mW × µs = nJ; thousandths of it.
	p.Numbers.EnergyMJ = (m.tool.PowerMW*(d.Totals.OnPermilleMicros/1000) + 500_000) / 1_000_000
	p.Numbers.RemovedNL = d.Removed.VolumeNL
	if s := m.req.Stock; s.GrammageGPerM2 > 0 && d.Removed.VolumeNL > 0 {
		p.Numbers.FumeUG = &d.Removed.MassUG
	}
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
