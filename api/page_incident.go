package api

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/plan/hazard"
	"kerfgate/plan/machine"
)

// incidentRows is how many incidents a page of the list shows.
const incidentRows = 50

// incidentsPage is GET /incidents.
func (s *Server) incidentsPage(c echo.Context) error {
	ctx := c.Request().Context()
	before := uuid.Nil
	if text := c.QueryParam("before"); text != "" {
		var err error
		if before, err = uuid.Parse(text); err != nil {
			return db.ErrNotFound
		}
	}
	list, err := s.store.Incidents(ctx, before, incidentRows)
	if err != nil {
		return err
	}
	v := web.IncidentsView{Shell: s.shell(c, "Incidents", "/incidents")}
	for _, i := range list {
		v.Incidents = append(v.Incidents, s.incidentRow(i))
	}
	if len(list) == incidentRows {
		v.Older = "/incidents?before=" + list[incidentRows-1].ID.String()
	}
	who, _ := personOf(c)
	office, owner := who.Person.Role.Officer() || who.Person.Role.Admin(), who.Person.ID
	if office {
		owner = uuid.Nil // everybody's
	}
	todo, err := s.store.OpenFollowUps(ctx, owner, incidentRows)
	if err != nil {
		return err
	}
	for _, f := range todo {
		row := s.followUpRow(f)
		row.Incident = f.Incident.String()
		v.ToDo = append(v.ToDo, row)
	}
	if office {
		rates, err := s.store.IncidentRates(ctx, s.now(), ratesOver)
		if err != nil {
			return err
		}
		for _, m := range rates {
			row := web.RateRow{Month: m.Month.Format("January 2006"), Kind: string(m.Kind), Count: m.Count, Hours: strconv.FormatFloat(hours(m.MachineMS), 'f', 1, 64)}
			if m.MachineMS > 0 {
				row.Rate = strconv.FormatFloat(per100Hours(m), 'f', 1, 64)
			}
			v.Rates = append(v.Rates, row)
		}
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderIncidents(w, v) })
}

func (s *Server) incidentRow(i db.Incident) web.IncidentRow {
	row := web.IncidentRow{ID: i.ID.String(), Kind: string(i.Kind), Machine: i.MachineName, What: i.What, Severity: i.Severity, Potential: i.Potential,
		Closing: i.Closing, RunNumber: i.RunNumber, At: s.local(i.HappenedAt), Open: i.Open, Closed: i.ClosedAt != nil}
	if i.Run != uuid.Nil {
		row.RunID = i.Run.String()
	}
	return row
}

// reportPage is GET /incidents/new.
func (s *Server) reportPage(c echo.Context) error {
	return s.sendReport(c, http.StatusOK, func(*web.ReportView) {})
}

// sendReport sends the form as it was filled in.
func (s *Server) sendReport(c echo.Context, status int, with func(*web.ReportView)) error {
	ctx := c.Request().Context()
	v := web.ReportView{Shell: s.shell(c, "Report an incident", "/incidents"), What: c.FormValue("what"), LockOut: c.Request().Method == http.MethodGet || c.FormValue("lock_out") == "yes"}
	_, v.Signed = personOf(c)
	at := c.FormValue("machine")
	if !v.Signed {
		st, here, err := s.stationIn(ctx)
		if err != nil {
			return err
		}
		if !here {
			return errNotSignedIn
		}
		if v.Station = st.Name; at == "" {
			at = st.Machine.String()
		}
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return err
	}
	for _, m := range machines {
		v.Machines = append(v.Machines, web.Role{Value: m.ID.String(), Label: m.Bay + ", " + m.Name, Chosen: m.ID.String() == at})
	}
	for _, k := range db.IncidentKinds() {
		v.Kinds = append(v.Kinds, web.Role{Value: string(k), Label: string(k), Chosen: string(k) == c.FormValue("kind")})
	}
	typed, _ := knownOf(c) // what it refuses is told by reportForm
	v.Severity, v.Potential = harms(typed.Severity), harms(typed.Potential)
	v.Fields = particularFields(typed.Particulars, func(name string) bool { return atOnce[name] })
	v.FieldsOpen = len(particulars(typed.Particulars)) > 0
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderReport(w, v) })
}

// harms are the words for how bad something was, with one chosen.
func harms(chosen string) []web.Role {
	var list []web.Role
	for _, h := range db.Harms() {
		list = append(list, web.Role{Value: h, Label: h, Chosen: h == chosen})
	}
	return list
}

// reportForm is POST /incidents/new.
func (s *Server) reportForm(c echo.Context) error {
	ctx := c.Request().Context()
	refuse := func(err error) error {
		p, shown := s.refusedForm(c, err)
		if !shown {
			return err
		}
		return s.sendReport(c, p.status, func(v *web.ReportView) { v.Problem = pageReasons(p) })
	}
	actor, err := s.reporter(ctx)
	if err != nil {
		return err
	}
	n := db.NewIncident{Kind: db.IncidentKind(c.FormValue("kind")), What: c.FormValue("what"), LockOut: c.FormValue("lock_out") == "yes"}
	if n.Machine, err = uuid.Parse(c.FormValue("machine")); err != nil {
		return refuse(invalid("machine", "no machine is chosen", "choose the one it happened at, or the nearest"))
	}
	if n.Known, err = knownOf(c); err != nil {
		return refuse(err)
	}
	if n.Photo, err = formPhoto(c); err != nil {
		return refuse(err)
	}
	made, err := s.store.ReportIncident(ctx, actor, n)
	if err != nil {
		return refuse(err)
	}
	return s.sendReport(c, http.StatusCreated, func(v *web.ReportView) {
		v.Done, v.MedicalFirstAid, v.BeamSheet = made.ID.String(), harmsPeople(made), beamSheetPath(made.Machine)
	})
}

// formPhoto is the photo of a form, written anew; nil where none was chosen.
func formPhoto(c echo.Context) ([]byte, error) {
	header, err := c.FormFile("photo")
	if errors.Is(err, http.ErrMissingFile) || err == nil && header.Size == 0 {
		return nil, nil
	}
	if err != nil {
		return nil, readProblem(err)
	}
	file, err := header.Open()
	if err != nil {
		return nil, err
	}
	defer file.Close() //nolint:errcheck // it was only read
	return ownPhoto(file)
}

func harmsPeople(i db.Incident) bool {
	switch i.Kind {
	case db.IncidentInjury, db.IncidentExposure, db.IncidentFire:
		return true
	}
	return i.Severity != "none"
}

// incidentPage is GET /incidents/:id.
func (s *Server) incidentPage(c echo.Context) error {
	return s.sendIncident(c, http.StatusOK, func(*web.IncidentView) {})
}

func (s *Server) sendIncident(c echo.Context, status int, with func(*web.IncidentView)) error {
	ctx := c.Request().Context()
	i, err := named(c, s.store.Incident)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	runsOffice := who.Person.Role.Officer() || who.Person.Role.Admin()
	v := web.IncidentView{Shell: s.shell(c, "Incident", "/incidents"), IncidentRow: s.incidentRow(i), Reporter: i.ReporterName, ReportedAt: s.local(i.At),
		ClosedBy: i.ClosedBy, FirstAid: harmsPeople(i), NoteAbout: db.NoteSubjects(), Remedies: db.Remedies(), Due: s.local(s.now()).AddDate(0, 0, 14).Format(time.DateOnly)}
	if v.Reporter == "" && i.Station != "" {
		v.Reporter = "somebody at the station " + i.Station
	}
	if i.ClosedAt != nil {
		v.ClosedAt = s.local(*i.ClosedAt)
	} else {
		operates, err := s.isOperator(ctx, who)
		if err != nil {
			return err
		}
		v.MayNote, v.MayFollow, v.MayClose = runsOffice || operates, runsOffice, who.Person.Role.Officer()
	}
	for n := range i.Photos {
		v.Photos = append(v.Photos, fmt.Sprintf("%s/incidents/%s/photos/%d", base, i.ID, n+1))
	}
	notes, err := s.store.IncidentNotes(ctx, i.ID)
	if err != nil {
		return err
	}
	v.Notes = s.noteRows(notes)
	tasks, err := s.store.FollowUps(ctx, i.ID)
	if err != nil {
		return err
	}
	for _, f := range tasks {
		row := s.followUpRow(f)
		row.Mine = i.ClosedAt == nil && f.DoneAt == nil && (f.Owner == who.Person.ID || runsOffice)
		v.FollowUps = append(v.FollowUps, row)
	}
	m, err := s.store.Machine(ctx, i.Machine)
	if err != nil {
		return err
	}
	v.Beams, v.BeamSheet = beamWords(m.Profile), beamSheetPath(m.ID)
	if i.Kind == db.IncidentFire || i.Kind == db.IncidentExposure {
		room, err := s.store.MachineRoom(ctx, m.ID)
		if err != nil {
			return err
		}
		clear := clearing(room)
		v.Clearing = &clear
	}
	linked, err := s.store.LinkedRuns(ctx, i.ID)
	if err != nil {
		return err
	}
	for _, r := range linked {
		v.Linked = append(v.Linked, web.LinkedRun{ID: r.ID.String(), Number: r.Number, Title: r.Title})
	}
	if i.Severity != i.ToldSeverity || i.Potential != i.ToldWorst {
		v.Told = fmt.Sprintf("reported as %s, could have been %s", i.ToldSeverity, i.ToldWorst)
	}
	if runsOffice {
		v.Particulars = particulars(i.Particulars)
		v.Deadlines = s.deadlines(i)
		v.Clock = clockWords(v.Deadlines)
		filled, err := s.store.FillingsIn(ctx, i.ID)
		if err != nil {
			return err
		}
		for _, f := range filled {
			v.Filled = append(v.Filled, web.NoteRow{By: f.By, At: s.local(f.At)})
		}
	}
	if v.MayFollow {
		v.Rev, v.Severities, v.Potentials = i.Rev, harms(i.Severity), harms(i.Potential)
		v.Fields = particularFields(i.Particulars, func(string) bool { return true })
		people, err := s.store.Accounts(ctx, uuid.Nil, 1000)
		if err != nil {
			return err
		}
		for _, p := range people {
			if !p.Disabled {
				v.People = append(v.People, web.Choice{Value: p.ID.String(), Label: p.Name})
			}
		}
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderIncident(w, v) })
}

func (s *Server) noteRows(notes []db.IncidentNote) []web.NoteRow {
	var rows []web.NoteRow
	for _, n := range notes {
		rows = append(rows, web.NoteRow{About: n.About, Text: n.Text, By: n.By, At: s.local(n.At)})
	}
	return rows
}

func (s *Server) followUpRow(f db.FollowUp) web.FollowUpRow {
	return web.FollowUpRow{ID: f.ID.String(), What: f.What, Remedy: f.Remedy, Owner: f.OwnerName, Result: f.Result, DoneBy: f.DoneBy,
		Due: f.Due, Done: f.DoneAt != nil, Overdue: f.DoneAt == nil && s.now().After(f.Due.AddDate(0, 0, 1))}
}

// beamWords says what a doctor asks of each beam of a machine.
func beamWords(p machine.Profile) []string {
	var list []string
	for _, t := range p.Tools {
		if t.Kind == machine.ToolBeam {
			list = append(list, fmt.Sprintf("%d nm, at most %s W, continuous wave", t.WavelengthNM, web.Millimetres(t.PowerMW)))
		}
	}
	return list
}

// deadlines lists the reports that may be due, by each law that is known here.
func (s *Server) deadlines(i db.Incident) []web.DeadlineRow {
	p := i.Particulars
	harm := hazard.Harm{Death: i.Severity == "death", Admitted: p.AdmittedStay, LostPart: p.LostPart, Hospital: p.Hospital, Visitor: p.Visitor,
		Eye: i.Kind == db.IncidentExposure, DaysOff: p.DaysOff, Dangerous: i.Kind == db.IncidentFire && i.Potential == "death"}
	var list []web.DeadlineRow
	for _, law := range []hazard.Law{hazard.LawUS, hazard.LawUK} {
		for _, d := range hazard.Deadlines(law, harm) {
			list = append(list, web.DeadlineRow{Law: string(law), What: d.What, Source: d.Source, AtOnce: d.Within == 0, Until: s.local(i.HappenedAt.Add(d.Within))})
		}
	}
	return list
}

// changedIncident answers a form of an incident's page.
func (s *Server) changedIncident(c echo.Context, err error) error {
	return s.afterForm(c, err, "/incidents/"+c.Param("id"), func(status int, problem *web.Problem) error {
		return s.sendIncident(c, status, func(v *web.IncidentView) { v.Problem = problem })
	})
}

// incidentNoteForm is POST /incidents/:id/note.
func (s *Server) incidentNoteForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	return s.changedIncident(c, s.store.AddIncidentNote(ctx, actorIn(ctx), id, db.IncidentNote{About: c.FormValue("about"), Text: c.FormValue("text")}))
}

// incidentPhotoForm is POST /incidents/:id/photo.
func (s *Server) incidentPhotoForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	photo, err := formPhoto(c)
	if err == nil && photo == nil {
		err = invalid("photo", "no photo was chosen", "choose one or take one")
	}
	if err == nil {
		ctx := c.Request().Context()
		err = s.store.AddIncidentPhoto(ctx, actorIn(ctx), id, photo)
	}
	return s.changedIncident(c, err)
}

// followUpForm is POST /incidents/:id/follow-up.
func (s *Server) followUpForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	due, err := time.Parse(time.DateOnly, strings.TrimSpace(c.FormValue("due")))
	if err != nil {
		return s.changedIncident(c, invalid("due", "that is no day", "write it as 2027-03-31"))
	}
	owner, err := uuid.Parse(c.FormValue("owner"))
	if err != nil {
		return s.changedIncident(c, invalid("owner", "nobody is chosen", "choose who does it"))
	}
	ctx := c.Request().Context()
	_, err = s.store.AddFollowUp(ctx, actorIn(ctx), db.FollowUp{Incident: id, What: c.FormValue("what"), Remedy: c.FormValue("remedy"), Owner: owner, Due: due})
	return s.changedIncident(c, err)
}

// followUpDoneForm is POST /incidents/:id/done.
func (s *Server) followUpDoneForm(c echo.Context) error {
	task, err := uuid.Parse(c.FormValue("follow_up"))
	if err != nil {
		return db.ErrNotFound
	}
	ctx := c.Request().Context()
	return s.changedIncident(c, s.store.FinishFollowUp(ctx, actorIn(ctx), task, c.FormValue("result")))
}

// closeIncidentForm is POST /incidents/:id/close.
func (s *Server) closeIncidentForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	return s.changedIncident(c, s.store.CloseIncident(ctx, actorIn(ctx), id, c.FormValue("closing")))
}
