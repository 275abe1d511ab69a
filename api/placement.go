package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/geom"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// voidPlaced is the reason of a permit that was taken back because its sheet was placed anew (I10).
const voidPlaced = "placed anew after the signature"

// PlaceRun is PUT /runs/{id}/placement: one of supply off, the tool on the carriage, the origin, the focus.
func (s *Server) PlaceRun(ctx context.Context, request wire.PlaceRunRequestObject) (wire.PlaceRunResponseObject, error) {
	b := request.Body
	said := 0
	for _, given := range []bool{b.SupplyOff != nil, b.Tool != nil, b.FocusMm != nil, b.Here != nil || b.OriginXMm != nil || b.OriginYMm != nil} {
		if given {
			said++
		}
	}
	if said != 1 {
		return nil, invalid("origin_x_mm", "one thing is set at a time", "give supply_off, tool, focus_mm, or an origin")
	}
	r, err := s.run(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	actor := actorIn(ctx)
	switch {
	case b.SupplyOff != nil && !*b.SupplyOff:
		return nil, invalid("supply_off", "a supply that is on keeps the sheet from being placed", "switch it off, then say so")
	case b.FocusMm != nil:
		um, err := micrometres("focus_mm", *b.FocusMm)
		if err != nil {
			return nil, err
		}
		r, err = s.placedAnew(ctx, r, func() (db.Run, error) { return s.store.SetFocus(ctx, actor, r.ID, um) })
		if err != nil {
			return nil, err
		}
		return wire.PlaceRun200JSONResponse(runShape(r)), nil
	case b.SupplyOff != nil:
		r, err = s.placedAnew(ctx, r, func() (db.Run, error) { return s.store.SupplyOff(ctx, actor, r.ID) })
	case b.Tool != nil:
		r, err = s.placedAnew(ctx, r, func() (db.Run, error) { return s.store.Fitted(ctx, actor, r.ID, *b.Tool) })
	default:
		r, err = s.setOrigin(ctx, r, b)
	}
	if err != nil {
		return nil, err
	}
	return wire.PlaceRun200JSONResponse(runShape(r)), nil
}

// setOrigin places the plan at a point, where the carriage is, or by a corner of the sheet at which the
// carriage stands.
func (s *Server) setOrigin(ctx context.Context, r db.Run, b *wire.PlacementChoice) (db.Run, error) {
	here := b.Here != nil && *b.Here
	if here == (b.OriginXMm != nil || b.OriginYMm != nil) || (!here && (b.OriginXMm == nil || b.OriginYMm == nil)) {
		return db.Run{}, invalid("origin_x_mm", "where the origin lies is missing or said twice", "give origin_x_mm and origin_y_mm, or here alone")
	}
	if b.Corner != nil && !b.Corner.Valid() || b.Corner != nil && !here {
		return db.Run{}, invalid("corner", "no such corner, or not where the carriage is", "use near left, near right, far left or far right, together with here")
	}
	var origin geom.Point
	var err error
	if !here {
		if origin.X, err = fieldMM("origin_x_mm", b.OriginXMm); err != nil {
			return db.Run{}, err
		}
		if origin.Y, err = fieldMM("origin_y_mm", b.OriginYMm); err != nil {
			return db.Run{}, err
		}
	}
	if b.Corner != nil {
		g, err := s.store.Gate(ctx, actorIn(ctx), r.ID)
		if err != nil {
			return db.Run{}, err
		}
		origin = cornerOffset(*b.Corner, geom.Pt(g.Facts.Stock.SheetWidthUM, g.Facts.Stock.SheetHeightUM))
	}
	return s.placedAnew(ctx, r, func() (db.Run, error) { return s.place(ctx, r, origin, here) })
}

// cornerOffset is from a corner of the sheet to its near left one, where the plan's origin lies.
func cornerOffset(corner wire.PlacementChoiceCorner, sheet geom.Point) geom.Point {
	var off geom.Point
	if corner == wire.CornerNearRight || corner == wire.CornerFarRight {
		off.X = -sheet.X
	}
	if corner == wire.CornerFarLeft || corner == wire.CornerFarRight {
		off.Y = -sheet.Y
	}
	return off
}

// placedAnew changes how the sheet is placed. A permit that was signed for another placing is taken back
// first, and the worker is told, so that none of it is live while the change is made (I10).
func (s *Server) placedAnew(ctx context.Context, r db.Run, change func() (db.Run, error)) (db.Run, error) {
	if r.Phase == queue.Permitted && r.Operator == actorIn(ctx).Person {
		note, err := s.store.Void(ctx, actorIn(ctx), r.ID, voidPlaced)
		if err != nil {
			return db.Run{}, err
		}
		if err := s.floor.Void(r.Machine, note); err != nil {
			s.log.Warn("void not sent", "run", r.ID, "error", err)
		}
	}
	return change()
}

// place keeps where the plan lies: at origin in machine coordinates or, here, that far from where the
// carriage is. Whether the machine knows its place is the machine's to say, so it is asked in both cases.
func (s *Server) place(ctx context.Context, r db.Run, origin geom.Point, here bool) (db.Run, error) {
	at, err := s.setUp(ctx, r, broker.SetupCommand{Kind: broker.SetupWhere})
	if err != nil {
		return db.Run{}, err
	}
	if here {
		origin = at.Position.Add(origin)
	}
	return s.store.Place(ctx, actorIn(ctx), r.ID, db.Placement{Origin: origin, Homed: at.Homed})
}
