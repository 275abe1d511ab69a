package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/material"
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
		Marks: append([]string{}, m.Marks...), Listed: m.Listed, Group: string(m.Group()), Rev: m.Rev, Retired: m.Retired,
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

// GetMaterial is GET /materials/{id}.
func (s *Server) GetMaterial(ctx context.Context, request wire.GetMaterialRequestObject) (wire.GetMaterialResponseObject, error) {
	m, err := s.store.Material(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	settings, err := s.store.SettingsOf(ctx, m.ID)
	if err != nil {
		return nil, err
	}
	changes, err := s.store.MaterialChanges(ctx, m.ID)
	if err != nil {
		return nil, err
	}
	shelf, err := s.store.StockChanges(ctx, m.ID)
	if err != nil {
		return nil, err
	}
	detail := wire.MaterialDetail{Material: materialShape(m), Settings: make([]wire.Setting, 0, len(settings)),
		Changes: make([]wire.MaterialEdit, 0, len(changes)), StockChanges: make([]wire.StockEdit, 0, len(shelf))}
	for _, x := range settings {
		detail.Settings = append(detail.Settings, settingShape(x))
	}
	for _, c := range changes {
		detail.Changes = append(detail.Changes, wire.MaterialEdit{At: utc(c.At), By: optional(c.By), Verdict: string(c.Verdict), Reason: c.Reason})
	}
	for _, c := range shelf {
		detail.StockChanges = append(detail.StockChanges, wire.StockEdit{StockID: c.Stock, At: utc(c.At), By: c.By, What: wire.StockEditWhat(c.What),
			Count: c.Count, Halogen: c.Halogen, Reason: c.Reason})
	}
	return wire.GetMaterial200JSONResponse{Body: detail, Headers: wire.GetMaterial200ResponseHeaders{ETag: etag(m.Rev)}}, nil
}

// AddMaterial is POST /materials.
func (s *Server) AddMaterial(ctx context.Context, request wire.AddMaterialRequestObject) (wire.AddMaterialResponseObject, error) {
	b := request.Body
	m := material.Material{Name: b.Name, Label: text(b.Label), Composition: compositionOf(b.Composition), ColourClass: text(b.ColourClass), Hazards: wordsOf(b.Hazards),
		Fumes: wordsOf(b.Fumes), Verdict: material.Verdict(b.Verdict), Reason: text(b.Reason), Sources: sourcesOf(b.Sources), Only: wordsOf(b.Only), Marks: wordsOf(b.Marks)}
	if b.Listed != nil {
		m.Listed = *b.Listed
	}
	made, err := s.store.AddMaterial(ctx, actorIn(ctx), m)
	if err != nil {
		return nil, err
	}
	return wire.AddMaterial201JSONResponse{Body: materialShape(made), Headers: wire.AddMaterial201ResponseHeaders{ETag: etag(made.Rev)}}, nil
}

// ChangeMaterial is PUT /materials/{id}.
func (s *Server) ChangeMaterial(ctx context.Context, request wire.ChangeMaterialRequestObject) (wire.ChangeMaterialResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	b := request.Body
	m := material.Material{Name: b.Name, Label: text(b.Label), Composition: compositionOf(b.Composition), ColourClass: text(b.ColourClass), Hazards: wordsOf(b.Hazards),
		Fumes: wordsOf(b.Fumes), Verdict: material.Verdict(b.Verdict), Reason: text(b.VerdictReason), Sources: sourcesOf(b.Sources), Only: wordsOf(b.Only), Marks: wordsOf(b.Marks)}
	if b.Listed != nil {
		m.Listed = *b.Listed
	}
	made, err := s.store.ChangeMaterial(ctx, actorIn(ctx), request.ID, rev, m, b.Reason)
	if err != nil {
		return nil, stale(rev, err)
	}
	return wire.ChangeMaterial200JSONResponse{Body: materialShape(made), Headers: wire.ChangeMaterial200ResponseHeaders{ETag: etag(made.Rev)}}, nil
}

// RetireMaterial is DELETE /materials/{id}.
func (s *Server) RetireMaterial(ctx context.Context, request wire.RetireMaterialRequestObject) (wire.RetireMaterialResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	if err := s.store.RetireMaterial(ctx, actorIn(ctx), request.ID, rev); err != nil {
		return nil, stale(rev, err)
	}
	return wire.RetireMaterial204Response{}, nil
}

func compositionOf(list []wire.GivenConstituent) material.Composition {
	var c material.Composition
	for _, x := range list {
		c = append(c, material.Constituent{Name: x.Name, Elements: wordsOf(x.Elements)})
	}
	return c
}

func sourcesOf(list *[]wire.Source) []material.Source {
	var all []material.Source
	if list != nil {
		for _, x := range *list {
			all = append(all, material.Source{Name: x.Name, Read: x.Read})
		}
	}
	return all
}

// wordsOf is a list of words that may be left out.
func wordsOf[T ~string](list *[]T) []string {
	var all []string
	if list != nil {
		for _, x := range *list {
			all = append(all, string(x))
		}
	}
	return all
}
