package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
)

// GetGate is GET /runs/{id}/gate.
func (s *Server) GetGate(ctx context.Context, request wire.GetGateRequestObject) (wire.GetGateResponseObject, error) {
	g, err := s.store.Gate(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	s.runs.learn(g.Run.ID, g.Machine.ID)
	return wire.GetGate200JSONResponse(gateShape(g)), nil
}

// OpenChecklist is POST /runs/{id}/checklist.
func (s *Server) OpenChecklist(ctx context.Context, request wire.OpenChecklistRequestObject) (wire.OpenChecklistResponseObject, error) {
	r, err := s.store.OpenChecklist(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	s.runs.learn(r.ID, r.Machine)
	return wire.OpenChecklist200JSONResponse(runShape(r)), nil
}

// ReleaseChecklist is DELETE /runs/{id}/checklist.
func (s *Server) ReleaseChecklist(ctx context.Context, request wire.ReleaseChecklistRequestObject) (wire.ReleaseChecklistResponseObject, error) {
	r, err := s.store.ReleaseChecklist(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	return wire.ReleaseChecklist200JSONResponse(runShape(r)), nil
}

// Bounds of one answer: fields of an item, characters of a value.
const (
	maxFields = 32
	maxValue  = 200
)

// GiveAnswer is PUT /runs/{id}/answers/{item}.
func (s *Server) GiveAnswer(ctx context.Context, request wire.GiveAnswerRequestObject) (wire.GiveAnswerResponseObject, error) {
	values := checklist.Values(request.Body.Values)
	if len(values) == 0 || len(values) > maxFields {
		return nil, invalid("values", "no answer was given", "give a value for each field of the item")
	}
	for key, value := range values {
		if len(key) > maxValue || len(value) > maxValue {
			return nil, invalid("values", "a value is too long", "give at most 200 characters")
		}
	}
	g, err := s.store.Answer(ctx, actorIn(ctx), request.ID, request.Item, values)
	if err != nil {
		return nil, err
	}
	return wire.GiveAnswer200JSONResponse(gateShape(g)), nil
}

func gateShape(g db.Gate) wire.Gate {
	shape := wire.Gate{Run: runShape(g.Run), Machine: machineShape(g.Machine, g.Facts.Today), ChecklistVersion: g.Checklist.Version,
		Bars: make([]wire.Bar, 0, len(g.Bars)), Reasons: make([]wire.Reason, 0, len(g.Reasons)),
		Open: len(g.Reasons) == 0}
	if want, tolerance, ok := checklist.FocusWanted(g.Facts.Tool, g.Facts.Stock); ok {
		wantMM, toleranceMM := mm(want), mm(tolerance)
		shape.FocusWantedMm, shape.FocusToleranceMm = &wantMM, &toleranceMM
	}
	for _, b := range g.Bars {
		shape.Open = shape.Open && b.Up
		bar := wire.Bar{Key: b.Item.Key, Title: b.Item.Title, Ask: b.Item.Ask, Core: b.Item.Core,
			Fields: make([]wire.Field, 0, len(b.Item.Fields)), Needs: b.Needs, Values: map[string]string{},
			Standing: b.Standing, Answered: b.Answered, Up: b.Up, Problem: b.Problem, Next: b.Next}
		for key, value := range b.Values {
			bar.Values[key] = value
		}
		bar.Numbers = []wire.BarNumber{}
		for _, n := range checklist.Numbers(b.Item.Key, g.Facts) {
			bar.Numbers = append(bar.Numbers, numberShape(n))
		}
		for _, f := range b.Item.Fields {
			field := wire.Field{Key: f.Key, Title: f.Title, Kind: string(f.Kind), Unit: optional(f.Unit), Standing: f.Standing}
			if len(f.Choices) > 0 {
				field.Choices = &f.Choices
			}
			bar.Fields = append(bar.Fields, field)
		}
		shape.Bars = append(shape.Bars, bar)
	}
	for _, r := range g.Reasons {
		shape.Reasons = append(shape.Reasons, wire.Reason{What: r.What, Next: r.Next})
	}
	return shape
}

func numberShape(n checklist.Number) wire.BarNumber {
	shape := wire.BarNumber{Title: n.Title, Shown: optional(n.Shown), Value: n.Value, Unit: optional(n.Unit), WhyNot: optional(n.WhyNot), Formula: optional(n.Formula),
		Source: optional(n.Source), Edition: optional(n.Edition), Caution: n.Caution}
	if len(n.Inputs) > 0 {
		shape.Inputs = &n.Inputs
	}
	if len(n.Notes) > 0 {
		shape.Notes = &n.Notes
	}
	return shape
}
