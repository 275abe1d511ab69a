package api

import (
	"bytes"
	"context"
	"time"

	"github.com/google/uuid"
	openapi "github.com/oapi-codegen/runtime/types"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// reportsAtStation bounds what is reported from a station by nobody who is signed in, in the limiter's
// quarter of an hour.
const reportsAtStation = 20

// ratesOver is how many months of incidents are counted.
const ratesOver = 12

// reporter is who reports an incident: who is signed in, or the station that it is reported at. The
// error is errNotSignedIn for anybody else.
func (s *Server) reporter(ctx context.Context) (db.Actor, error) {
	actor := actorIn(ctx)
	if actor.Person != uuid.Nil {
		return actor, nil
	}
	st, at, err := s.stationIn(ctx)
	if err != nil {
		return actor, err
	}
	if !at {
		return actor, errNoStation
	}
	_, err = s.limiter.count(limit{triedKey{"reports at", st.ID.String()}, reportsAtStation})
	return db.Actor{Station: st.ID}, err
}

// ReportIncident is POST /incidents.
func (s *Server) ReportIncident(ctx context.Context, request wire.ReportIncidentRequestObject) (wire.ReportIncidentResponseObject, error) {
	actor, err := s.reporter(ctx)
	if err != nil {
		return nil, err
	}
	b := request.Body
	n := db.NewIncident{Kind: db.IncidentKind(b.Kind), Machine: b.MachineID, Run: given(b.RunID), What: b.What,
		Known: db.Known{Severity: string(b.Severity), Potential: string(b.Potential)}, LockOut: b.LockOut != nil && *b.LockOut}
	if b.HappenedAt != nil {
		n.HappenedAt = *b.HappenedAt
	}
	if p := b.Particulars; p != nil {
		n.Particulars = db.Particulars{Hurt: text(p.Hurt), Visitor: yes(p.Visitor), Witnesses: text(p.Witnesses), Doing: text(p.Doing), HarmedBy: text(p.HarmedBy),
			Injury: text(p.Injury), Treatment: text(p.Treatment), Hospital: yes(p.Hospital), AdmittedStay: yes(p.Admitted), LostPart: yes(p.LostPart),
			Damage: text(p.Damage), PutOutWith: text(p.PutOutWith), Interlock: text(p.Interlock), Airflow: text(p.Airflow),
			EmergencyStop: text(p.EmergencyStop), Measures: text(p.Measures)}
		if p.DaysOff != nil {
			n.Particulars.DaysOff = *p.DaysOff
		}
	}
	i, err := s.store.ReportIncident(ctx, actor, n)
	if err != nil {
		return nil, err
	}
	return wire.ReportIncident201JSONResponse(incidentShape(i)), nil
}

func yes(b *bool) bool { return b != nil && *b }

// ListIncidents is GET /incidents.
func (s *Server) ListIncidents(ctx context.Context, request wire.ListIncidentsRequestObject) (wire.ListIncidentsResponseObject, error) {
	limit, err := pageLimit(request.Params.Limit)
	if err != nil {
		return nil, err
	}
	list, err := s.store.Incidents(ctx, given(request.Params.Cursor), limit)
	if err != nil {
		return nil, err
	}
	page := wire.IncidentPage{}
	page.Incidents, page.Next = paged(list, limit, incidentShape, func(i db.Incident) uuid.UUID { return i.ID })
	return wire.ListIncidents200JSONResponse(page), nil
}

// GetIncident is GET /incidents/{id}.
func (s *Server) GetIncident(ctx context.Context, request wire.GetIncidentRequestObject) (wire.GetIncidentResponseObject, error) {
	i, err := s.store.Incident(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	notes, err := s.store.IncidentNotes(ctx, i.ID)
	if err != nil {
		return nil, err
	}
	tasks, err := s.store.FollowUps(ctx, i.ID)
	if err != nil {
		return nil, err
	}
	detail := incidentDetail(i, notes, tasks)
	if who, ok := personIn(ctx); ok && (who.Person.Role.Officer() || who.Person.Role.Admin()) {
		detail.Particulars = particularsShape(i.Particulars)
	}
	return wire.GetIncident200JSONResponse(detail), nil
}

// incidentDetail is an incident with what was added to it; its particulars are not for everybody.
func incidentDetail(i db.Incident, notes []db.IncidentNote, tasks []db.FollowUp) wire.IncidentDetail {
	detail := wire.IncidentDetail{Incident: incidentShape(i), Notes: []wire.IncidentNote{}, FollowUps: []wire.FollowUp{}}
	for _, n := range notes {
		detail.Notes = append(detail.Notes, wire.IncidentNote{About: n.About, Text: n.Text, By: n.By, At: utc(n.At)})
	}
	for _, f := range tasks {
		detail.FollowUps = append(detail.FollowUps, wire.FollowUp{ID: f.ID, What: f.What, Remedy: f.Remedy, OwnerID: f.Owner, OwnerName: f.OwnerName,
			Due: openapi.Date{Time: f.Due}, DoneAt: someTime(f.DoneAt), DoneBy: optional(f.DoneBy), Result: optional(f.Result)})
	}
	return detail
}

// AddIncidentNote is POST /incidents/{id}/notes.
func (s *Server) AddIncidentNote(ctx context.Context, request wire.AddIncidentNoteRequestObject) (wire.AddIncidentNoteResponseObject, error) {
	note := db.IncidentNote{About: string(request.Body.About), Text: request.Body.Text}
	if err := s.store.AddIncidentNote(ctx, actorIn(ctx), request.ID, note); err != nil {
		return nil, err
	}
	return wire.AddIncidentNote204Response{}, nil
}

// AddFollowUp is POST /incidents/{id}/follow-ups.
func (s *Server) AddFollowUp(ctx context.Context, request wire.AddFollowUpRequestObject) (wire.AddFollowUpResponseObject, error) {
	b := request.Body
	id, err := s.store.AddFollowUp(ctx, actorIn(ctx), db.FollowUp{Incident: request.ID, What: b.What, Remedy: string(b.Remedy), Owner: b.OwnerID, Due: b.Due.Time})
	if err != nil {
		return nil, err
	}
	return wire.AddFollowUp201JSONResponse{ID: id}, nil
}

// FinishFollowUp is POST /follow-ups/{id}/done.
func (s *Server) FinishFollowUp(ctx context.Context, request wire.FinishFollowUpRequestObject) (wire.FinishFollowUpResponseObject, error) {
	if err := s.store.FinishFollowUp(ctx, actorIn(ctx), request.ID, request.Body.Result); err != nil {
		return nil, err
	}
	return wire.FinishFollowUp204Response{}, nil
}

// CloseIncident is POST /incidents/{id}/close.
func (s *Server) CloseIncident(ctx context.Context, request wire.CloseIncidentRequestObject) (wire.CloseIncidentResponseObject, error) {
	if err := s.store.CloseIncident(ctx, actorIn(ctx), request.ID, request.Body.Closing); err != nil {
		return nil, err
	}
	return wire.CloseIncident204Response{}, nil
}

// GetIncidentPhoto is GET /incidents/{id}/photos/{n}.
func (s *Server) GetIncidentPhoto(ctx context.Context, request wire.GetIncidentPhotoRequestObject) (wire.GetIncidentPhotoResponseObject, error) {
	data, err := s.store.IncidentPhoto(ctx, request.ID, request.N)
	if err != nil {
		return nil, err
	}
	return wire.GetIncidentPhoto200ImageJpegResponse{Body: bytes.NewReader(data), ContentLength: int64(len(data))}, nil
}

// IncidentRates is GET /incidents/rates.
func (s *Server) IncidentRates(ctx context.Context, _ wire.IncidentRatesRequestObject) (wire.IncidentRatesResponseObject, error) {
	list, err := s.store.IncidentRates(ctx, s.now(), ratesOver)
	if err != nil {
		return nil, err
	}
	answer := wire.IncidentRates200JSONResponse{Months: make([]wire.MonthOfIncidents, len(list))}
	for i, m := range list {
		at := &answer.Months[i]
		*at = wire.MonthOfIncidents{Count: m.Count, Kind: string(m.Kind), Month: m.Month.Format("2006-01"), MachineHours: hours(m.MachineMS)}
		if m.MachineMS > 0 {
			rate := per100Hours(m)
			at.Per100MachineHours = &rate
		}
	}
	return answer, nil
}

func hours(ms int64) float64 { return float64(ms) / float64(time.Hour/time.Millisecond) }

func per100Hours(m db.MonthOfIncidents) float64 { return 100 * float64(m.Count) / hours(m.MachineMS) }

func incidentShape(i db.Incident) wire.Incident {
	shape := wire.Incident{ID: i.ID, Kind: string(i.Kind), MachineID: i.Machine, MachineName: i.MachineName, RunID: someID(i.Run), ReporterName: i.ReporterName,
		Station: i.Station, At: utc(i.At), HappenedAt: utc(i.HappenedAt), What: i.What, Severity: i.Severity, Potential: i.Potential,
		ClosedAt: someTime(i.ClosedAt), ClosedBy: optional(i.ClosedBy), Closing: i.Closing, OpenFollowUps: i.Open, Photos: i.Photos, Rev: i.Rev}
	if i.RunNumber != 0 {
		shape.RunNumber = &i.RunNumber
	}
	return shape
}

func particularsShape(p db.Particulars) *wire.IncidentParticulars {
	return &wire.IncidentParticulars{Hurt: optional(p.Hurt), Visitor: &p.Visitor, Witnesses: optional(p.Witnesses), Doing: optional(p.Doing),
		HarmedBy: optional(p.HarmedBy), Injury: optional(p.Injury), Treatment: optional(p.Treatment), Hospital: &p.Hospital, Admitted: &p.AdmittedStay,
		LostPart: &p.LostPart, DaysOff: &p.DaysOff, Damage: optional(p.Damage), PutOutWith: optional(p.PutOutWith), Interlock: optional(p.Interlock),
		Airflow: optional(p.Airflow), EmergencyStop: optional(p.EmergencyStop), Measures: optional(p.Measures)}
}
