package api

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// allLanes is the board as it was read for all who asked at one moment.
type allLanes struct {
	lanes    []db.Lane
	standing map[uuid.UUID]db.CalibrationStanding
}

func (s *Server) readLanes(ctx context.Context) (all allLanes, err error) {
	if all.lanes, err = s.store.Board(ctx); err != nil {
		return allLanes{}, err
	}
	for _, l := range all.lanes {
		s.learnRuns(l)
	}
	all.standing, err = s.store.CalibrationStandings(ctx, uuid.Nil)
	return all, err
}

// GetBoard is GET /board. A wall screen without sign-in sees lanes, phases and numbers; names,
// titles and reasons are for members.
func (s *Server) GetBoard(ctx context.Context, _ wire.GetBoardRequestObject) (wire.GetBoardResponseObject, error) {
	all, err := s.lanes.get(ctx)
	if err != nil {
		return nil, err
	}
	who, signed := personIn(ctx)
	board := wire.Board{Lanes: make([]wire.Lane, 0, len(all.lanes))}
	for _, l := range all.lanes {
		board.Lanes = append(board.Lanes, laneShape(l, who, signed))
	}
	return wire.GetBoard200JSONResponse(board), nil
}

func laneShape(l db.Lane, who signedIn, signed bool) wire.Lane {
	m := l.Machine
	shape := wire.Lane{MachineID: m.ID, Name: m.Name, Bay: m.Bay, Tool: m.Tool,
		Gate: []wire.GateBar{}, Next: make([]wire.BoardRun, 0, len(l.Next))}
	if m.Lockout != nil {
		shape.Lockout = &wire.LaneLockout{SetAt: utc(m.Lockout.SetAt)}
		if signed {
			shape.Lockout.Reason = &m.Lockout.Reason
		}
	}
	if m.Watch != nil {
		shape.WatchUntil = someTime(&m.Watch.Until)
	}
	if l.Active != nil {
		active := boardRunShape(*l.Active, who, signed)
		shape.Active = &active
	}
	if l.Gate != nil {
		for _, b := range l.Gate.Bars {
			shape.Gate = append(shape.Gate, wire.GateBar{Key: b.Item.Key, Title: b.Item.Title, Up: b.Up})
		}
	}
	for _, r := range l.Next {
		shape.Next = append(shape.Next, boardRunShape(r, who, signed))
	}
	return shape
}

func boardRunShape(r db.Run, who signedIn, signed bool) wire.BoardRun {
	shape := wire.BoardRun{ID: r.ID, Number: r.Number, Phase: string(r.Phase), PhaseAt: utc(r.PhaseAt),
		PlannedS: seconds(r.PlanTotalMS), Tool: r.Tool, Ready: r.Ready}
	if signed {
		shape.JobTitle, shape.MemberName, shape.OperatorName = &r.JobTitle, &r.MemberName, optional(r.OperatorName)
		shape.Mine = r.Member == who.Person.ID
	}
	return shape
}
