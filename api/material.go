package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// ListMaterials is GET /materials.
func (s *Server) ListMaterials(ctx context.Context, _ wire.ListMaterialsRequestObject) (wire.ListMaterialsResponseObject, error) {
	all, err := s.store.Materials(ctx)
	if err != nil {
		return nil, err
	}
	list := wire.MaterialList{Materials: make([]wire.Material, 0, len(all))}
	for _, m := range all {
		list.Materials = append(list.Materials, materialShape(m))
	}
	return wire.ListMaterials200JSONResponse(list), nil
}

func materialShape(m db.Material) wire.Material {
	shape := wire.Material{ID: m.ID, Name: m.Name, Label: m.Label, ColourClass: m.ColourClass, Verdict: string(m.Verdict), Reason: m.Reason,
		Hazards: append([]string{}, m.Hazards...), Fumes: append([]string{}, m.Fumes...), Only: append([]string{}, m.Only...),
		Marks: append([]string{}, m.Marks...), Listed: m.Listed, Rev: m.Rev, Retired: m.Retired,
		Composition: make([]wire.Constituent, 0, len(m.Composition)), Sources: make([]wire.Source, 0, len(m.Sources)),
		Beam: []wire.Reason{}, Stock: make([]wire.Stock, 0, len(m.Stock))}
	for _, c := range m.Composition {
		shape.Composition = append(shape.Composition, wire.Constituent{Name: c.Name, Elements: append([]string{}, c.Contains()...)})
	}
	for _, x := range m.Sources {
		shape.Sources = append(shape.Sources, wire.Source{Name: x.Name, Read: x.Read})
	}
	for _, r := range m.Refusals() {
		shape.Beam = append(shape.Beam, wire.Reason{What: r.What, Next: r.Next})
	}
	for _, x := range m.Stock {
		shape.Stock = append(shape.Stock, stockShape(x))
	}
	return shape
}

func stockShape(x db.Stock) wire.Stock {
	shape := wire.Stock{ID: x.ID, Lot: x.Lot, Colour: x.Colour, ThicknessMm: mm(x.ThicknessUM), ToleranceMm: mm(x.ToleranceUM),
		SheetWidthMm: mm(x.SheetWidthUM), SheetHeightMm: mm(x.SheetHeightUM), Halogen: x.Halogen, Count: x.Count, Reserved: x.Reserved, Rev: x.Rev}
	if x.GrammageGPerM2 > 0 {
		shape.GrammageGPerM2 = &x.GrammageGPerM2
	}
	return shape
}
