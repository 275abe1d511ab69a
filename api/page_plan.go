package api

import (
	"fmt"
	"strings"

	"kerfgate/api/web"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
)

// playedView is planView on a page that can be stepped and played through.
func playedView(p *plan.Plan, digest canon.Digest, id string) *web.PlanView {
	v := planView(p, digest, id)
	v.Steps, v.Long = "/api/v1/plans/"+digest.String()+"/steps", p.Numbers.TotalMS > 300_000
	return v
}

// planView shows a plan: its picture and numbers, each with what it was computed from.
func planView(p *plan.Plan, digest canon.Digest, id string) *web.PlanView {
	n := p.Numbers
	on := web.OnWord(p.ToolKind == machine.ToolBeam)
	v := &web.PlanView{Digest: digest.String(), Short: digest.Short(), Planner: p.Planner,
		Picture: web.PlanSVG(p, id), Strip: web.StripSVG(p, id+"-strip"), Pieces: web.PieceWords(p)}
	v.Numbers = []web.NumberView{
		{Name: "takes", Value: web.Duration(n.TotalMS), Inputs: []string{
			on + " " + web.Duration(n.BeamMS), "travel " + web.Duration(n.TravelMS), "switch delays and rests " + web.Duration(n.WaitMS)}},
		{Name: "size", Value: web.Size(p.Extents.Width(), p.Extents.Height()), Inputs: []string{
			fmt.Sprintf("x %s to %s mm from the origin", web.Millimetres(p.Extents.Min.X), web.Millimetres(p.Extents.Max.X)),
			fmt.Sprintf("y %s to %s mm from the origin", web.Millimetres(p.Extents.Min.Y), web.Millimetres(p.Extents.Max.Y))}},
		{Name: "work", Value: web.Length(n.WorkUM), Inputs: lengths(n)},
		{Name: "loose", Value: web.PieceWords(p), Inputs: shortPieces(p)},
		{Name: "sheet", Value: web.Size(p.SheetSize.X, p.SheetSize.Y), Inputs: []string{
			fmt.Sprintf("%.1f %% of it under the extents", float64(n.SheetPermille)/10)}},
		{Name: "accuracy", Value: web.Millimetres(n.SnapUM+n.JitterUM) + " mm", Inputs: []string{
			fmt.Sprintf("%s mm at most to where the machine can go", web.Millimetres(n.SnapUM)),
			fmt.Sprintf("%s mm at most by which the switch’s jitter moves the end of a line", web.Millimetres(n.JitterUM))}},
	}
	if p.ToolKind == machine.ToolBeam {
		v.Numbers = append(v.Numbers,
			web.NumberView{Name: "beam energy", Value: fmt.Sprintf("%.1f kJ", float64(n.EnergyMJ)/1e6), Inputs: []string{
				"power of each stroke × its time with the beam on, summed over the plan"}},
			web.NumberView{Name: "dose", Value: fmt.Sprintf("%s J/mm at most", joules(mostDose(n))), Inputs: doses(n)},
			web.NumberView{Name: "hot spots", Value: fmt.Sprint(n.HotSpots), Inputs: hotSpots(p)},
			web.NumberView{Name: "into the air", Value: fume(n), Inputs: []string{
				fmt.Sprintf("%.4g mm³: the width of the cut × the thickness × its length; marking and engraving are not counted", float64(n.RemovedNL)/1000)}},
			web.NumberView{Name: "purge", Value: "at least " + web.Duration(p.PurgeS*1000), Inputs: []string{
				"from the machine’s extraction as commissioned; a lower bound, since material may go on gassing"}})
	}
	for _, w := range p.Warnings {
		v.Warnings = append(v.Warnings, web.Reason{What: web.Sentence(w.What), Next: web.Sentence(w.Next), Value: w.Where})
	}
	v.Legend = web.Legend(p)
	return v
}

func lengths(n plan.Numbers) []string {
	var all []string
	for _, l := range []struct {
		word string
		um   int64
	}{{"cut", n.CutUM}, {"mark", n.MarkUM}, {"engrave", n.EngraveUM}, {"draw", n.DrawUM}} {
		if l.um > 0 {
			all = append(all, l.word+" "+web.Length(l.um))
		}
	}
	return append(all, "besides, travel "+web.Length(n.TravelUM))
}

// orderWords tells the order of work: runs of strokes with the same operation.
func orderWords(p *plan.Plan) []string {
	dropout := map[int64]bool{}
	for _, piece := range p.Pieces {
		dropout[piece.Number] = piece.Dropout
	}
	var words []string
	last, count := "", 0
	flush := func() {
		if count == 0 {
			return
		}
		op, thing, _ := strings.Cut(last, " ")
		words = append(words, op+" "+web.Count(count, thing, thing+"s"))
	}
	for _, s := range p.Strokes {
		thing := "line"
		switch {
		case s.Piece != 0 && dropout[s.Piece]:
			thing = "drop-out"
		case s.Piece != 0:
			thing = "piece"
		}
		if key := string(s.Operation) + " " + thing; key != last {
			flush()
			last, count = key, 0
		}
		count++
	}
	flush()
	const most = 5
	if len(words) > most {
		words = append(words[:most-1], web.Count(len(words)-most+1, "further step", "further steps"))
	}
	return words
}

func joules(uj int64) string { return fmt.Sprintf("%.3g", float64(uj)/1e6) }

func mostDose(n plan.Numbers) (most int64) {
	for _, d := range n.Doses {
		most = max(most, d.MostUJPerMM)
	}
	return most
}

func doses(n plan.Numbers) []string {
	var all []string
	for _, d := range n.Doses {
		all = append(all, fmt.Sprintf("%s %s to %s J/mm, on the whole %s", d.Operation, joules(d.LeastUJPerMM), joules(d.MostUJPerMM), joules(d.MeanUJPerMM)))
	}
	return all
}

// hotSpots tells the rule and the first few.
func hotSpots(p *plan.Plan) []string {
	const few = 5
	all := []string{"a disc of 2 mm that gets more than two and a half passes within ten seconds"}
	for i, h := range p.Hot {
		if i == few {
			break
		}
		all = append(all, fmt.Sprintf("x %s, y %s mm: %.1f passes, %s", web.Millimetres(h.Place.X), web.Millimetres(h.Place.Y), float64(h.Permille)/1000, h.Why))
	}
	return all
}

func fume(n plan.Numbers) string {
	switch {
	case n.RemovedNL == 0:
		return "not known: nothing is cut, and how deep marking and engraving go is not measured"
	case n.FumeUG == nil:
		return "not known: the lot has no grammage"
	}
	return fmt.Sprintf("%.3g g", float64(*n.FumeUG)/1e6)
}

// shortPieces tells what pieces lose at edges that they share with others, the first few one by one.
func shortPieces(p *plan.Plan) []string {
	const few = 12
	var all []string
	more := 0
	for _, piece := range p.Pieces {
		if piece.SharedUM == 0 {
			continue
		}
		if len(all) == few {
			more++
			continue
		}
		all = append(all, fmt.Sprintf("piece %d shares %s of its edge: %s mm narrower and %s mm lower than %s", piece.Number, web.Length(piece.SharedUM),
			web.Millimetres(piece.NarrowerUM), web.Millimetres(piece.LowerUM), web.Size(piece.Extents.Width(), piece.Extents.Height())))
	}
	if more > 0 {
		all = append(all, "and "+web.Count(more, "further piece", "further pieces"))
	}
	return all
}
