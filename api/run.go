package api

import (
	"bytes"
	"context"
	"sync"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// GetRun is GET /runs/{id}.
func (s *Server) GetRun(ctx context.Context, request wire.GetRunRequestObject) (wire.GetRunResponseObject, error) {
	r, err := s.run(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	return wire.GetRun200JSONResponse{Body: runShape(r), Headers: wire.GetRun200ResponseHeaders{ETag: etag(r.Rev)}}, nil
}

// run reads a run that the caller may see.
func (s *Server) run(ctx context.Context, id uuid.UUID) (db.Run, error) {
	r, err := s.store.Run(ctx, actorIn(ctx), id)
	if err != nil {
		return db.Run{}, err
	}
	s.runs.learn(r.ID, r.Machine)
	return r, nil
}

// InspectRun is POST /runs/{id}/inspection.
func (s *Server) InspectRun(ctx context.Context, request wire.InspectRunRequestObject) (wire.InspectRunResponseObject, error) {
	if !request.Body.Sheet.Valid() {
		return nil, invalid("sheet", "what became of the sheet is missing", "say kept, scrapped or repeat")
	}
	r, err := s.store.Inspect(ctx, actorIn(ctx), request.ID, db.Inspection{Fate: db.SheetFate(request.Body.Sheet),
		FlameOrGlow: request.Body.FlameOrGlow, SupplyOff: request.Body.SupplyOff})
	if err != nil {
		return nil, err
	}
	return wire.InspectRun200JSONResponse(runShape(r)), nil
}

// GetRunPicture is GET /runs/{id}/picture.png.
func (s *Server) GetRunPicture(ctx context.Context, request wire.GetRunPictureRequestObject) (wire.GetRunPictureResponseObject, error) {
	png, err := s.store.RunPicture(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	return wire.GetRunPicture200ImagePngResponse{Body: bytes.NewReader(png), ContentLength: int64(len(png))}, nil
}

func runShape(r db.Run) wire.Run {
	shape := wire.Run{
		ID: r.ID, Number: r.Number, JobID: r.Job, JobTitle: r.JobTitle, Copy: r.Copy, Copies: r.Copies,
		MemberID: r.Member, MemberName: r.MemberName, MachineID: r.Machine, MachineName: r.MachineName, Bay: r.MachineBay, Plan: r.Plan.String(),
		PlannedS: seconds(r.PlanTotalMS), StockID: r.Stock, MaterialName: r.MaterialName, StockLot: r.StockLot,
		Tool: r.Tool, Phase: string(r.Phase), Outcome: string(r.Outcome), Reason: r.Reason,
		Ready: r.Ready, UnreadyReason: r.UnreadyReason, OperatorID: someID(r.Operator), OperatorName: r.OperatorName,
		NeverMoved: r.NeverMoved, FlameOrGlow: r.Flame, Sheet: string(r.SheetFate), RealS: seconds(r.RealMS),
		HasPicture: r.HasPicture, ProposedAt: utc(r.ProposedAt), PhaseAt: utc(r.PhaseAt),
		StartedAt: someTime(r.StartedAt), EndedAt: someTime(r.EndedAt), Rev: r.Rev,
	}
	if p := r.Placement; p != nil {
		shape.Placement = &wire.Placement{OriginXMm: mm(p.Origin.X), OriginYMm: mm(p.Origin.Y),
			Homed: p.Homed, PlacedBy: p.PlacedBy, PlacedAt: utc(p.PlacedAt)}
	}
	placed := r.Placed()
	if r.FocusUM > 0 {
		focus := mm(r.FocusUM)
		shape.FocusMm = &focus
	}
	traced := placed.Traced != nil && placed.Origin != nil && *placed.Traced == *placed.Origin
	shape.ToolOnCarriage, shape.OutlineTraced, shape.SupplyOff = optional(r.Fitted), &traced, &placed.SupplyOff
	return shape
}

// runMachines remembers which machine a run belongs to, which never changes, so that a stop finds
// its way while the database is gone.
type runMachines struct {
	mu      sync.Mutex
	machine map[uuid.UUID]uuid.UUID
}

// maxRunMachines bounds the memory; beyond it everything is learnt again.
const maxRunMachines = 10_000

func newRunMachines() *runMachines { return &runMachines{machine: map[uuid.UUID]uuid.UUID{}} }

func (m *runMachines) learn(run, machine uuid.UUID) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.machine) >= maxRunMachines {
		clear(m.machine)
	}
	m.machine[run] = machine
}

func (m *runMachines) find(run uuid.UUID) (uuid.UUID, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	machine, ok := m.machine[run]
	return machine, ok
}

// learnRuns learns the runs of a lane.
func (s *Server) learnRuns(l db.Lane) {
	if l.Active != nil {
		s.runs.learn(l.Active.ID, l.Machine.ID)
	}
	for _, r := range l.Next {
		s.runs.learn(r.ID, l.Machine.ID)
	}
}
