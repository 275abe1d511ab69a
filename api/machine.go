package api

import (
	"context"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/machine"
)

// GetHealth is GET /health.
func (s *Server) GetHealth(ctx context.Context, _ wire.GetHealthRequestObject) (wire.GetHealthResponseObject, error) {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	if err := s.store.Ready(ctx); err != nil {
		s.log.Error("database does not answer", "error", err)
		return nil, errBusy
	}
	return wire.GetHealth200JSONResponse{Status: "ok", Site: s.cfg.Site}, nil
}

// ListMachines is GET /machines.
func (s *Server) ListMachines(ctx context.Context, _ wire.ListMachinesRequestObject) (wire.ListMachinesResponseObject, error) {
	all, err := s.store.Machines(ctx)
	if err != nil {
		return nil, err
	}
	list := wire.MachineList{Machines: make([]wire.Machine, 0, len(all))}
	for _, m := range all {
		list.Machines = append(list.Machines, machineShape(m, s.now()))
	}
	return wire.ListMachines200JSONResponse(list), nil
}

// GetMachine is GET /machines/{id}.
func (s *Server) GetMachine(ctx context.Context, request wire.GetMachineRequestObject) (wire.GetMachineResponseObject, error) {
	m, err := s.store.Machine(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	settings, err := s.store.Settings(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	detail := wire.MachineDetail{Machine: machineShape(m, s.now()), Settings: make([]wire.Setting, 0, len(settings))}
	for _, x := range settings {
		detail.Settings = append(detail.Settings, settingShape(x))
	}
	return wire.GetMachine200JSONResponse(detail), nil
}

// SetLockout is POST /machines/{id}/lockout.
func (s *Server) SetLockout(ctx context.Context, request wire.SetLockoutRequestObject) (wire.SetLockoutResponseObject, error) {
	reason, err := reasonGiven(request.Body.Reason)
	if err != nil {
		return nil, err
	}
	l, err := s.store.SetLockout(ctx, actorIn(ctx), request.ID, reason)
	if err != nil {
		return nil, err
	}
	return wire.SetLockout201JSONResponse(*lockoutShape(&l)), nil
}

// LiftLockout is POST /machines/{id}/lockout/lift.
func (s *Server) LiftLockout(ctx context.Context, request wire.LiftLockoutRequestObject) (wire.LiftLockoutResponseObject, error) {
	reason, err := reasonGiven(request.Body.Reason)
	if err != nil {
		return nil, err
	}
	if err := s.store.LiftLockout(ctx, actorIn(ctx), request.ID, reason); err != nil {
		return nil, err
	}
	return wire.LiftLockout204Response{}, nil
}

func reasonGiven(text string) (string, error) {
	text = strings.TrimSpace(text)
	if n := utf8.RuneCountInString(text); n == 0 || n > 500 {
		return "", invalid("reason", "a reason is missing or too long", "say in 1 to 500 characters what was seen")
	}
	return text, nil
}

func machineShape(m db.Machine, now time.Time) wire.Machine {
	p := m.Profile
	shape := wire.Machine{
		ID: m.ID, Name: m.Name, Bay: m.Bay, Tool: m.Tool, Rev: m.Rev,
		Tools:  make([]wire.Tool, 0, len(p.Tools)),
		Travel: boxShape(p.TravelUM), HardStops: boxShape(p.HardStops),
		SpeedXMmPerS: shownMM(p.SpeedXUMPerS), SpeedYMmPerS: shownMM(p.SpeedYUMPerS),
		BacklashXMm: mm(p.BacklashXUM), BacklashYMm: mm(p.BacklashYUM),
		Enclosure: p.Enclosure.Kind, Interlock: p.Enclosure.Interlock,
		CutOffTested: p.CutOff.Tested, CutOffMeans: p.CutOff.Means,
		AttendanceEveryS: p.Attendance.EveryS, AttendanceGraceS: p.Attendance.GraceS,
		Driver: p.Driver.Kind, ProfileDigest: m.ProfileDigest.String(), WorkerURL: m.WorkerURL,
		Lockout: lockoutShape(m.Lockout), Watch: watchShape(m.Watch, now),
	}
	if shape.AttendanceEveryS == 0 {
		shape.AttendanceEveryS = 60
	}
	if shape.AttendanceGraceS == 0 {
		shape.AttendanceGraceS = 15
	}
	for _, t := range p.Tools {
		shape.Tools = append(shape.Tools, toolShape(t))
	}
	return shape
}

func toolShape(t machine.Tool) wire.Tool {
	shape := wire.Tool{Name: t.Name, Kind: t.Kind, SpotMm: mm(t.SpotUM), Switch: t.Switch.Kind, SwitchInMotion: t.Switch.InMotion}
	if t.Kind == machine.ToolBeam {
		shape.WavelengthNm = &t.WavelengthNM
		power, density := float64(t.PowerMW)/1000, float64(t.EyewearODTenths)/10
		shape.PowerW = &power
		shape.EyewearOd = &density
		shape.BeamMm = shownMM(t.BeamUM)
		shape.DivergenceMrad = shownMM(t.DivergenceURad)
	}
	if t.LongestOnMS > 0 {
		on, rest := seconds(t.LongestOnMS), seconds(t.RestMS)
		shape.LongestOnS, shape.RestS = &on, &rest
	}
	return shape
}

func lockoutShape(l *db.Lockout) *wire.Lockout {
	if l == nil {
		return nil
	}
	return &wire.Lockout{ID: l.ID, MachineID: l.Machine, Reason: l.Reason, SetBy: l.SetBy,
		SetByName: l.SetName, SetAt: utc(l.SetAt)}
}

// someID is nil for the zero id.
func someID(id uuid.UUID) *uuid.UUID {
	if id == uuid.Nil {
		return nil
	}
	return &id
}

// someTime is t in UTC; nil stays nil.
func someTime(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	at := t.UTC()
	return &at
}
