package api

import (
	"bytes"
	"context"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/canon"
)

// MakePlan is POST /plans. Planning is heavy, so few plans are made at once.
func (s *Server) MakePlan(ctx context.Context, request wire.MakePlanRequestObject) (wire.MakePlanResponseObject, error) {
	choice, err := planChoice(*request.Body)
	if err != nil {
		return nil, err
	}
	row, err := planning(ctx, s, s.store.MakePlan, choice)
	if err != nil {
		return nil, err
	}
	shape, err := s.planWithHazards(ctx, row)
	return wire.MakePlan200JSONResponse(shape), err
}

// planning waits for a planning slot and makes what was chosen in it.
func planning[C, T any](ctx context.Context, s *Server, do func(context.Context, db.Actor, C) (T, error), choice C) (made T, err error) {
	release, err := s.plans.take(ctx)
	if err != nil {
		return made, err
	}
	defer release()
	return do(ctx, actorIn(ctx), choice)
}

// GetPlan is GET /plans/{digest}.
func (s *Server) GetPlan(ctx context.Context, request wire.GetPlanRequestObject) (wire.GetPlanResponseObject, error) {
	row, err := s.planOf(ctx, request.Digest)
	if err != nil {
		return nil, err
	}
	shape, err := s.planWithHazards(ctx, row)
	return wire.GetPlan200JSONResponse(shape), err
}

// GetPlanPicture is GET /plans/{digest}/picture.svg.
func (s *Server) GetPlanPicture(ctx context.Context, request wire.GetPlanPictureRequestObject) (wire.GetPlanPictureResponseObject, error) {
	row, err := s.planOf(ctx, request.Digest)
	if err != nil {
		return nil, err
	}
	picture := plan.Picture(row.Plan, "plan")
	return wire.GetPlanPicture200ImageSvgXMLResponse{Body: bytes.NewReader(picture), ContentLength: int64(len(picture))}, nil
}

func (s *Server) planOf(ctx context.Context, text string) (db.PlanRow, error) {
	digest, err := canon.Parse(text)
	if err != nil {
		return db.PlanRow{}, err
	}
	return s.store.Plan(ctx, actorIn(ctx), digest)
}

func planChoice(body wire.PlanChoice) (db.PlanChoice, error) {
	choice := db.PlanChoice{Drawing: body.DrawingID, Machine: body.MachineID, Tool: body.Tool,
		Material: body.MaterialID, Stock: body.StockID, Default: plan.Operation(body.DefaultOperation),
		Operations: map[string]plan.Operation{}, Choices: choicesOf(body.Choices)}
	if body.Tool == "" {
		return choice, invalid("tool", "no tool is chosen", "name a tool of the machine")
	}
	if !body.DefaultOperation.Valid() {
		return choice, invalid("default_operation", "no such operation", "use cut, mark, engrave or draw")
	}
	if body.Operations == nil {
		return choice, nil
	}
	for letter, op := range *body.Operations {
		if !op.Valid() {
			return choice, invalid("operations."+letter, "no such operation", "use cut, mark, engrave or draw")
		}
		choice.Operations[letter] = plan.Operation(op)
	}
	return choice, nil
}

// planWithHazards is a plan with the numbers that its gate will show.
func (s *Server) planWithHazards(ctx context.Context, row db.PlanRow) (wire.Plan, error) {
	shape := planShape(row)
	shape.Hazards = []wire.BarNumber{}
	m, err := s.store.Machine(ctx, row.Machine)
	if err != nil {
		return shape, err
	}
	kind, err := s.store.Material(ctx, row.Material)
	if err != nil {
		return shape, err
	}
	tool, _ := m.Profile.Tool(row.Tool) // a tool that is gone has no numbers
	for _, n := range checklist.PlanNumbers(m.Profile, tool, kind.Material) {
		shape.Hazards = append(shape.Hazards, numberShape(n))
	}
	return shape, nil
}

func planShape(row db.PlanRow) wire.Plan {
	p := row.Plan
	digest := row.Digest.String()
	shape := wire.Plan{
		Digest: digest, Planner: p.Planner, DrawingID: row.Drawing, MachineID: row.Machine,
		Tool: p.Tool, ToolKind: p.ToolKind, MaterialID: row.Material, StockID: row.Stock,
		MemberID: row.Member, MadeAt: utc(row.MadeAt), Choices: choicesShape(row.Choices),
		Groups:   make([]wire.Group, 0, len(p.Groups)),
		Pieces:   make([]wire.Piece, 0, len(p.Pieces)),
		Warnings: make([]wire.Warning, 0, len(p.Warnings)),
		Strokes:  int64(len(p.Strokes)), Extents: boxShape(p.Extents), PurgeS: p.PurgeS,
		SheetWidthMm: mm(p.SheetSize.X), SheetHeightMm: mm(p.SheetSize.Y),
		Picture: base + "/plans/" + digest + "/picture.svg",
		Numbers: wire.Numbers{
			TotalS: seconds(p.Numbers.TotalMS), ToolOnS: seconds(p.Numbers.BeamMS),
			TravelS: seconds(p.Numbers.TravelMS), WaitS: seconds(p.Numbers.WaitMS),
			WorkMm: mm(p.Numbers.WorkUM), TravelMm: mm(p.Numbers.TravelUM), CutMm: mm(p.Numbers.CutUM),
			MarkMm: mm(p.Numbers.MarkUM), EngraveMm: mm(p.Numbers.EngraveUM), DrawMm: mm(p.Numbers.DrawUM),
			EnergyJ: float64(p.Numbers.EnergyMJ) / 1000, Pieces: p.Numbers.Pieces, Dropouts: p.Numbers.Dropouts,
			SheetPercent: float64(p.Numbers.SheetPermille) / 10, DoubledMm: mm(p.Numbers.DoubledUM), SnapMm: mm(p.Numbers.SnapUM),
			JitterMm: mm(p.Numbers.JitterUM), Doses: make([]wire.OperationDose, 0, len(p.Numbers.Doses)), HotSpots: p.Numbers.HotSpots,
			RemovedMm3: float64(p.Numbers.RemovedNL) / 1000,
		},
		Reach: boxShape(p.Reach), Hot: make([]wire.HotSpot, 0, len(p.Hot)),
	}
	if ug := p.Numbers.FumeUG; ug != nil {
		mg := float64(*ug) / 1000
		shape.Numbers.FumeMg = &mg
	}
	for _, d := range p.Numbers.Doses {
		shape.Numbers.Doses = append(shape.Numbers.Doses, wire.OperationDose{Operation: wire.Operation(d.Operation),
			LeastJPerMm: float64(d.LeastUJPerMM) / 1e6, MeanJPerMm: float64(d.MeanUJPerMM) / 1e6, MostJPerMm: float64(d.MostUJPerMM) / 1e6})
	}
	for _, h := range p.Hot {
		shape.Hot = append(shape.Hot, wire.HotSpot{XMm: mm(h.Place.X), YMm: mm(h.Place.Y), EnergyJ: float64(h.EnergyMJ) / 1000,
			Passes: float64(h.Permille) / 1000, AtS: seconds(h.AtMS), Why: h.Why})
	}
	for _, g := range p.Groups {
		op, ok := row.Operations[g.Letter]
		if !ok {
			op = row.Default
		}
		shape.Groups = append(shape.Groups, wire.Group{Letter: g.Letter, Layer: g.Layer, Colour: g.Colour,
			Shapes: g.Shapes, Pictures: g.Pictures, LengthMm: mm(g.LengthUM), Operation: wire.Operation(op)})
	}
	for _, x := range p.Pieces {
		shape.Pieces = append(shape.Pieces, wire.Piece{Number: x.Number, Dropout: x.Dropout,
			Extents: boxShape(x.Extents), AreaMm2: x.AreaMM2})
	}
	for _, x := range p.Warnings {
		shape.Warnings = append(shape.Warnings, wire.Warning{What: x.What, Where: x.Where, Next: x.Next})
	}
	return shape
}
