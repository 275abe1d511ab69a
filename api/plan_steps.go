package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/plan"
)

// GetPlanSteps is GET /plans/{digest}/steps. The profile is the one that the plan was made for, also
// where the machine has another by now.
func (s *Server) GetPlanSteps(ctx context.Context, request wire.GetPlanStepsRequestObject) (wire.GetPlanStepsResponseObject, error) {
	row, err := s.planOf(ctx, request.Digest)
	if err != nil {
		return nil, err
	}
	profile, err := s.store.Profile(ctx, row.Plan.Profile)
	if err != nil {
		return nil, err
	}
	return wire.GetPlanSteps200JSONResponse(stepsShape(plan.StepsOf(row.Plan, profile))), nil
}

func stepsShape(s plan.Steps) wire.PlanSteps {
	out := wire.PlanSteps{TotalMs: s.TotalMS, Steps: make([]wire.PlanStep, 0, len(s.Steps)),
		Track: wire.PlanTrack{Ms: s.Track.MS, On: s.Track.On, XMm: allMM(s.Track.XUM), YMm: allMM(s.Track.YUM)}}
	for _, step := range s.Steps {
		out.Steps = append(out.Steps, wire.PlanStep{Operation: wire.Operation(step.Operation), Pieces: step.Pieces, FromMs: step.FromMS, ToMs: step.ToMS})
	}
	return out
}

func allMM(um []int64) []float64 {
	out := make([]float64, len(um))
	for i, v := range um {
		out[i] = mm(v)
	}
	return out
}
