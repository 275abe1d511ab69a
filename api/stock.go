package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/plan/material"
)

// AddStock is POST /materials/{id}/stock.
func (s *Server) AddStock(ctx context.Context, request wire.AddStockRequestObject) (wire.AddStockResponseObject, error) {
	b := request.Body
	lot := material.Stock{Lot: b.Lot, Colour: b.Colour}
	for _, x := range []struct {
		field string
		mm    float64
		um    *int64
	}{
		{"thickness_mm", b.ThicknessMm, &lot.ThicknessUM}, {"tolerance_mm", b.ToleranceMm, &lot.ToleranceUM},
		{"sheet_width_mm", b.SheetWidthMm, &lot.SheetWidthUM}, {"sheet_height_mm", b.SheetHeightMm, &lot.SheetHeightUM},
	} {
		um, err := micrometres(x.field, x.mm)
		if err != nil {
			return nil, err
		}
		*x.um = um
	}
	if b.GrammageGPerM2 != nil {
		lot.GrammageGPerM2 = *b.GrammageGPerM2
	}
	made, err := s.store.AddStock(ctx, actorIn(ctx), request.ID, lot, b.Count)
	if err != nil {
		return nil, err
	}
	return wire.AddStock201JSONResponse{Body: stockShape(made), Headers: wire.AddStock201ResponseHeaders{ETag: etag(made.Rev)}}, nil
}

// CountStock is PUT /stock/{id}/count.
func (s *Server) CountStock(ctx context.Context, request wire.CountStockRequestObject) (wire.CountStockResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	lot, err := s.store.CountStock(ctx, actorIn(ctx), request.ID, rev, request.Body.Count, request.Body.Reason)
	if err != nil {
		return nil, stale(rev, err)
	}
	return wire.CountStock200JSONResponse{Body: stockShape(lot), Headers: wire.CountStock200ResponseHeaders{ETag: etag(lot.Rev)}}, nil
}

// TestStock is POST /stock/{id}/flame-test.
func (s *Server) TestStock(ctx context.Context, request wire.TestStockRequestObject) (wire.TestStockResponseObject, error) {
	lot, err := s.store.TestStock(ctx, actorIn(ctx), request.ID, request.Body.Halogen, request.Body.Reason)
	if err != nil {
		return nil, err
	}
	return wire.TestStock200JSONResponse{Body: stockShape(lot), Headers: wire.TestStock200ResponseHeaders{ETag: etag(lot.Rev)}}, nil
}
