package api

import (
	"context"
	"math"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/material"
)

// ProveSetting is POST /materials/{id}/settings.
func (s *Server) ProveSetting(ctx context.Context, request wire.ProveSettingRequestObject) (wire.ProveSettingResponseObject, error) {
	b := request.Body
	set := db.Setting{Machine: b.MachineID, Tool: b.Tool, Material: request.ID, Colour: text(b.Colour),
		Setting: material.Setting{Operation: string(b.Operation), Passes: b.Passes, Evidence: b.Evidence}}
	if b.RunID != nil {
		set.Run = *b.RunID
	}
	var err error
	if set.ThicknessUM, err = micrometres("thickness_mm", b.ThicknessMm); err != nil {
		return nil, err
	}
	if set.SpeedUMPerS, err = micrometres("speed_mm_per_s", b.SpeedMmPerS); err != nil {
		return nil, err
	}
	if set.KerfUM, err = micrometres("kerf_mm", b.KerfMm); err != nil {
		return nil, err
	}
	if set.PowerPermille, err = permille("power_percent", b.PowerPercent); err != nil {
		return nil, err
	}
	made, err := s.store.ProveSetting(ctx, actorIn(ctx), set)
	if err != nil {
		return nil, err
	}
	return wire.ProveSetting201JSONResponse(settingShape(made)), nil
}

// permille rounds per cent to thousandths; the error names the field.
func permille(field string, percent float64) (int64, error) {
	if math.IsNaN(percent) || percent < 0 || percent > 100 {
		return 0, invalid(field, "no power is that large", "give 0.1 to 100 per cent of the tool's full power")
	}
	return int64(math.Round(percent * 10)), nil
}

// WithdrawSetting is DELETE /settings/{id}.
func (s *Server) WithdrawSetting(ctx context.Context, request wire.WithdrawSettingRequestObject) (wire.WithdrawSettingResponseObject, error) {
	if err := s.store.WithdrawSetting(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.WithdrawSetting204Response{}, nil
}

func settingShape(x db.Setting) wire.Setting {
	shape := wire.Setting{ID: x.ID, MachineID: x.Machine, Tool: x.Tool, MaterialID: x.Material, ThicknessMm: mm(x.ThicknessUM), Colour: x.Colour,
		Operation: x.Operation, SpeedMmPerS: mm(x.SpeedUMPerS), PowerPercent: float64(x.PowerPermille) / 10, Passes: x.Passes, KerfMm: mm(x.KerfUM),
		Evidence: x.Evidence, DoseJPerMm: float64(x.DoseUJPerMM) / 1e6, ProvenBy: optional(x.ProvenByName), ProvenAt: utc(x.ProvenAt)}
	if x.Run != uuid.Nil {
		shape.RunID, shape.RunNumber = &x.Run, &x.RunNumber
	}
	return shape
}
