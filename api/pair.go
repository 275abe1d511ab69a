package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/machine"
)

// ListPairs is GET /pairs.
func (s *Server) ListPairs(ctx context.Context, _ wire.ListPairsRequestObject) (wire.ListPairsResponseObject, error) {
	pairs, err := s.store.Pairs(ctx)
	if err != nil {
		return nil, err
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return nil, err
	}
	list := wire.ListPairs200JSONResponse{Pairs: make([]wire.Pair, 0, len(pairs)), Caution: checklist.Caution}
	for _, p := range pairs {
		list.Pairs = append(list.Pairs, pairShape(p, machines))
	}
	return list, nil
}

// AddPair is POST /pairs.
func (s *Server) AddPair(ctx context.Context, request wire.AddPairRequestObject) (wire.AddPairResponseObject, error) {
	wanted := checklist.Pair{Label: request.Body.Label, Marking: request.Body.Marking}
	if request.Body.Damaged != nil {
		wanted.Damaged = *request.Body.Damaged
	}
	p, err := s.store.AddPair(ctx, actorIn(ctx), wanted)
	if err != nil {
		return nil, err
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return nil, err
	}
	return wire.AddPair201JSONResponse{Body: pairShape(p, machines), Headers: wire.AddPair201ResponseHeaders{ETag: etag(p.Rev)}}, nil
}

// LookAtPair is POST /pairs/{id}/look.
func (s *Server) LookAtPair(ctx context.Context, request wire.LookAtPairRequestObject) (wire.LookAtPairResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	p, err := s.store.LookAtPair(ctx, actorIn(ctx), request.ID, rev, request.Body.Damaged)
	if err != nil {
		return nil, stale(rev, err)
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return nil, err
	}
	return wire.LookAtPair200JSONResponse{Body: pairShape(p, machines), Headers: wire.LookAtPair200ResponseHeaders{ETag: etag(p.Rev)}}, nil
}

// RetirePair is DELETE /pairs/{id}.
func (s *Server) RetirePair(ctx context.Context, request wire.RetirePairRequestObject) (wire.RetirePairResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	if err := s.store.RetirePair(ctx, actorIn(ctx), request.ID, rev); err != nil {
		return nil, stale(rev, err)
	}
	return wire.RetirePair204Response{}, nil
}

func pairShape(p db.Pair, machines []db.Machine) wire.Pair {
	shape := wire.Pair{ID: p.ID, Label: p.Label, Marking: p.Marking, Damaged: p.Damaged, LookedAt: utc(p.LookedAt), LookedBy: p.LookedName,
		Rev: p.Rev, Beams: []wire.PairBeam{}}
	for _, b := range beamsOf(machines) {
		v := b.judge(p)
		shape.Beams = append(shape.Beams, wire.PairBeam{MachineID: b.machine.ID, MachineName: b.machine.Name, Tool: b.tool.Name, Fits: v.Fits, Why: v.Why})
	}
	return shape
}

// siteBeam is one beam of the site.
type siteBeam struct {
	machine db.Machine
	tool    machine.Tool
}

func beamsOf(machines []db.Machine) (beams []siteBeam) {
	for _, m := range machines {
		for _, t := range m.Profile.Tools {
			if t.Kind == machine.ToolBeam {
				beams = append(beams, siteBeam{m, t})
			}
		}
	}
	return beams
}

// judge says what a pair is to the beam.
func (b siteBeam) judge(p db.Pair) checklist.PairVerdict {
	return checklist.Pairs(checklist.Facts{Profile: b.machine.Profile, Tool: b.tool, Pairs: []checklist.Pair{p.Pair}})[0]
}
