package api

import (
	"context"

	"kerfgate/api/wire"
)

// ListMaterials is GET /materials.
func (s *Server) ListMaterials(ctx context.Context, _ wire.ListMaterialsRequestObject) (wire.ListMaterialsResponseObject, error) {
	all, err := s.store.Materials(ctx)
	if err != nil {
		return nil, err
	}
	list := wire.MaterialList{Materials: make([]wire.Material, 0, len(all))}
	for _, m := range all {
		shape := wire.Material{ID: m.ID, Name: m.Name, Composition: m.Composition, ColourClass: m.ColourClass,
			Hazards: append([]string{}, m.Hazards...), Verdict: string(m.Verdict), Rev: m.Rev,
			Stock: make([]wire.Stock, 0, len(m.Stock))}
		for _, x := range m.Stock {
			stock := wire.Stock{ID: x.ID, Lot: x.Lot, Colour: x.Colour, ThicknessMm: mm(x.ThicknessUM),
				ToleranceMm: mm(x.ToleranceUM), SheetWidthMm: mm(x.SheetWidthUM), SheetHeightMm: mm(x.SheetHeightUM),
				Count: x.Count, Reserved: x.Reserved, Rev: x.Rev}
			if x.GrammageGPerM2 > 0 {
				stock.GrammageGPerM2 = &x.GrammageGPerM2
			}
			shape.Stock = append(shape.Stock, stock)
		}
		list.Materials = append(list.Materials, shape)
	}
	return wire.ListMaterials200JSONResponse(list), nil
}
