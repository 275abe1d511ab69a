package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// shownCommissionings is how many of a machine are listed.
const shownCommissionings = 20

// ListCommissionings is GET /machines/{id}/commissionings.
func (s *Server) ListCommissionings(ctx context.Context, request wire.ListCommissioningsRequestObject) (wire.ListCommissioningsResponseObject, error) {
	if _, err := s.store.Machine(ctx, request.ID); err != nil {
		return nil, err
	}
	all, err := s.store.Commissionings(ctx, request.ID, shownCommissionings)
	if err != nil {
		return nil, err
	}
	list := wire.CommissioningList{Commissionings: make([]wire.Commissioning, 0, len(all))}
	for _, c := range all {
		list.Commissionings = append(list.Commissionings, commissioningShape(c))
	}
	return wire.ListCommissionings200JSONResponse(list), nil
}

// BeginCommissioning is POST /machines/{id}/commissionings.
func (s *Server) BeginCommissioning(ctx context.Context, request wire.BeginCommissioningRequestObject) (wire.BeginCommissioningResponseObject, error) {
	c, err := s.store.BeginCommissioning(ctx, actorIn(ctx), request.ID, request.Body.Tool)
	if err != nil {
		return nil, err
	}
	return wire.BeginCommissioning201JSONResponse(commissioningShape(c)), nil
}

// GetCommissioning is GET /commissionings/{id}.
func (s *Server) GetCommissioning(ctx context.Context, request wire.GetCommissioningRequestObject) (wire.GetCommissioningResponseObject, error) {
	c, err := s.store.Commissioning(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	return wire.GetCommissioning200JSONResponse(commissioningShape(c)), nil
}

// AnswerCommissioning is PUT /commissionings/{id}/answers/{item}.
func (s *Server) AnswerCommissioning(ctx context.Context, request wire.AnswerCommissioningRequestObject) (wire.AnswerCommissioningResponseObject, error) {
	b := request.Body
	a := db.CommissioningAnswer{Question: request.Item, Measured: b.Measured, Words: text(b.Words), Way: text(b.Way), Instrument: text(b.Instrument),
		MeasuredBy: actorIn(ctx).Person}
	if b.Numbers != nil {
		a.Numbers = *b.Numbers
	}
	if b.MeasuredBy != nil {
		a.MeasuredBy = *b.MeasuredBy
	}
	c, err := s.store.AnswerCommissioning(ctx, actorIn(ctx), request.ID, a)
	if err != nil {
		return nil, err
	}
	return wire.AnswerCommissioning200JSONResponse(commissioningShape(c)), nil
}

// PublishCommissioning is POST /commissionings/{id}/publish.
func (s *Server) PublishCommissioning(ctx context.Context, request wire.PublishCommissioningRequestObject) (wire.PublishCommissioningResponseObject, error) {
	c, err := s.store.PublishCommissioning(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	return wire.PublishCommissioning200JSONResponse(commissioningShape(c)), nil
}

// AbandonCommissioning is DELETE /commissionings/{id}.
func (s *Server) AbandonCommissioning(ctx context.Context, request wire.AbandonCommissioningRequestObject) (wire.AbandonCommissioningResponseObject, error) {
	if err := s.store.AbandonCommissioning(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.AbandonCommissioning204Response{}, nil
}

func commissioningShape(c db.Commissioning) wire.Commissioning {
	shape := wire.Commissioning{ID: c.ID, MachineID: c.Machine, Tool: c.Tool, ProfileDigest: c.Profile.String(), BegunByName: c.BegunBy, BegunAt: utc(c.BegunAt),
		EndedByName: optional(c.EndedBy), EndedAt: someTime(c.EndedAt), Questions: make([]wire.CommissioningQuestion, 0, len(c.Questions))}
	if c.Result != nil {
		shape.ResultDigest = optional(c.Result.String())
	}
	for _, q := range c.Questions {
		told := wire.CommissioningQuestion{Item: q.Key, Text: q.Text, How: q.Do, Unit: q.Unit, Tries: int64(q.Tries), Choices: append([]string{}, q.Choices...), OtherWords: q.Words}
		if a, ok := c.Answers[q.Key]; ok {
			told.Answer = &wire.CommissioningAnswer{Measured: a.Measured, Numbers: append([]int64{}, a.Numbers...), Words: a.Words, Way: a.Way, Instrument: a.Instrument,
				MeasuredBy: a.MeasuredBy, MeasuredByName: a.MeasuredByName, ToldByName: a.ToldByName, ToldAt: utc(a.ToldAt)}
		}
		shape.Questions = append(shape.Questions, told)
	}
	return shape
}
