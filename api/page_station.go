package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
	"kerfgate/queue"
)

// awayS is after how many seconds out of sight (a locked screen, another page) a station's page signs its
// operator out: long enough to answer what pops up over it; own choice.
const awayS = 20

// stationsPage is GET /stations.
func (s *Server) stationsPage(c echo.Context) error {
	lanes, err := s.laneViews(c)
	if err != nil {
		return err
	}
	v := web.StationsView{Shell: s.shell(c, "Stations", "/stations"), Lanes: lanes}
	if who, ok := personOf(c); ok {
		v.Commissions = who.Person.Role.Officer() || who.Person.Role.Admin()
		if v.Eyewear, err = s.hasRole(c.Request().Context(), who, []role{operator, officer, admin}); err != nil {
			return err
		}
		v.Machines = v.Eyewear // the same people
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderStations(w, v) })
}

// stationPage is GET /station/{machine}. It is the only page that may connect to another origin:
// its own machine's worker.
func (s *Server) stationPage(c echo.Context) error {
	v, err := s.stationView(c)
	if err != nil {
		return err
	}
	if origin, ok := workerOrigin(v.WorkerURL); ok {
		c.Response().Header().Set("Content-Security-Policy", contentPolicyFor(origin))
	} else {
		v.WorkerURL = ""
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderStation(w, v) })
}

// stationMain is GET /station/{machine}/main, the part of an open station that changes.
func (s *Server) stationMain(c echo.Context) error {
	return show(c, s.stationView, web.RenderStationMain)
}

// workerOrigin is the origin of a worker's address; false for what is no plain web address. It goes
// into a header, so host and port are held to their letters.
func workerOrigin(address string) (string, bool) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil {
		return "", false
	}
	if strings.Trim(u.Host, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-:[]") != "" {
		return "", false
	}
	return u.Scheme + "://" + u.Host, true
}

func (s *Server) stationView(c echo.Context) (web.StationView, error) {
	ctx := c.Request().Context()
	id, err := pathID(c)
	if err != nil {
		return web.StationView{}, err
	}
	lane, standing, err := s.laneOf(ctx, id)
	if err != nil {
		return web.StationView{}, err
	}
	who, err := s.readerOf(ctx, c)
	if err != nil {
		return web.StationView{}, err
	}
	v := web.StationView{Machine: machineView(lane.Machine), WorkerURL: lane.Machine.WorkerURL,
		Lockout: s.lockoutView(lane.Machine.Lockout, who), Watch: s.watchView(lane.Machine, who)}
	v.Shell = s.shell(c, v.Machine.Label(), "/stations")
	v.Late = calibrationWarning(standing)
	v.Eyewear = v.Machine.Beam
	if at, ok := personOf(c); ok && at.Session.Kind == db.SessionStation {
		v.AwayS = awayS
	}
	v.Queue = s.laneView(lane, who).Queue
	run, ok := stationRun(lane, who)
	if !ok {
		return v, nil
	}
	v.Run, err = s.stationRunView(ctx, lane, run, who)
	return v, err
}

// stationRun picks what the station deals with: the active run, else the checklist that this
// person has open, else any that is open, else the run that goes next.
func stationRun(l db.Lane, who reader) (db.Run, bool) {
	if l.Active != nil {
		return *l.Active, true
	}
	var open *db.Run
	for i, r := range l.Next {
		if r.Phase != queue.Checking {
			continue
		}
		if who.signed && r.Operator == who.person {
			return r, true
		}
		if open == nil {
			open = &l.Next[i]
		}
	}
	if open != nil {
		return *open, true
	}
	if r, ok := l.Going(); ok {
		return r, true
	}
	if len(l.Next) > 0 { // nobody is there, or no sheet: the first says so
		return l.Next[0], true
	}
	return db.Run{}, false
}

func (s *Server) stationRunView(ctx context.Context, l db.Lane, r db.Run, who reader) (*web.StationRun, error) {
	tool, _ := l.Machine.Profile.Tool(r.Tool)
	beam := tool.Kind == machine.ToolBeam
	v := &web.StationRun{ID: r.ID.String(), Number: r.Number, JobTitle: who.title(r), Copy: r.Copy, Copies: r.Copies,
		Member: who.name(r.MemberName), Phase: string(r.Phase), Outcome: string(r.Outcome), Reason: r.Reason, Since: s.local(r.PhaseAt),
		Operator: who.name(r.OperatorName), Mine: who.signed && r.Operator == who.person,
		PausedUntil: s.local(r.PhaseAt).Add(queue.LongestPause), AsksEyes: beam, GoesOn: l.Machine.Profile.GoingOn(tool),
		Material: r.MaterialName, Lot: r.StockLot, TotalMS: r.PlanTotalMS, OnWord: web.OnWord(beam)}
	if r.Operator != uuid.Nil && v.Operator == "" {
		v.Operator = "an operator"
	}
	if err := s.stationGate(ctx, l, r, who, v); err != nil {
		return nil, err
	}
	if err := s.stationPlan(ctx, l, r, who, v); err != nil {
		return nil, err
	}
	if p := r.Placement; p != nil {
		v.Placed = &web.PlacedView{X: web.Millimetres(p.Origin.X), Y: web.Millimetres(p.Origin.Y), Homed: p.Homed, At: s.local(p.PlacedAt)}
	}
	reading, fresh := s.readingOf(r, s.now())
	if beam || fresh && reading.AttendanceS >= 0 {
		v.AttendEveryS, v.AttendGraceS = attendance(l.Machine.Profile.Attendance)
	}
	if fresh {
		v.Reading = &web.ReadingView{DoneMS: reading.DoneMS, TotalMS: reading.TotalMS, LeftMS: reading.LeftMS, ToolOn: reading.ToolOn,
			CountdownS: reading.CountdownS, AttendanceS: reading.AttendanceS, PurgeS: reading.PurgeS, Problem: reading.Problem}
	}
	return v, nil
}

// attendance is how often a profile asks for a tap and how long it then waits, in seconds.
func attendance(a machine.Attendance) (everyS, graceS int64) {
	everyS, graceS = a.EveryS, a.GraceS
	if everyS <= 0 {
		everyS = 60
	}
	if graceS <= 0 {
		graceS = 15
	}
	return everyS, graceS
}

// stationGate fills in the gate: as this person would meet it, or as the board shows it to
// whoever may not see the run itself.
func (s *Server) stationGate(ctx context.Context, l db.Lane, r db.Run, who reader, v *web.StationRun) error {
	var g db.Gate
	found := false
	if who.signed && (who.seesAll || who.mine(r)) {
		var err error
		if g, err = s.store.Gate(ctx, actorIn(ctx), r.ID); err != nil && !errors.Is(err, db.ErrNotFound) {
			return err
		}
		found = err == nil
	}
	if !found && l.Gate != nil && l.Gate.Run.ID == r.ID {
		g, found = *l.Gate, true
	}
	if !found {
		return nil
	}
	v.Gate = gateView(g)
	v.Gate.Locked = l.Machine.Lockout != nil
	v.Settled = len(g.Reasons) == 0
	if v.Mine && r.Phase == queue.Checking {
		v.Placing = placingView(g)
	}
	opened := false
	again := slices.ContainsFunc(g.Bars, func(b checklist.Bar) bool { return b.Standing })
	for i, b := range g.Bars {
		bar := stationBar(b, v.Gate.Bars[i])
		bar.Numbers = numberViews(checklist.Numbers(b.Item.Key, g.Facts))
		// Who went round this machine within the four hours knows what to look at; what stands is only confirmed.
		bar.Held = again && !b.Answered
		if b.Standing && bar.Held && len(bar.Numbers) == 0 {
			bar.Brief = "as before, and " + strings.Join(unheld(b), ", ")
		} else if bar.Held && b.Item.Key == checklist.ItemSupply {
			bar.Brief = "last"
		}
		if b.Item.Key == checklist.ItemEyewear {
			s.offerPairs(&bar, g.Facts)
		}
		if b.Item.Key == checklist.ItemSecond {
			if err := s.askSecond(ctx, &bar, g); err != nil {
				return err
			}
		}
		if !bar.Up && !opened && r.Placement != nil && (v.Placing == nil || v.Placing.Whole()) {
			bar.Open, opened = true, true
		}
		v.Settled = v.Settled && bar.Up
		v.Bars = append(v.Bars, bar)
	}
	if who.signed {
		for _, reason := range g.Reasons {
			// While the checklist is answered the placing row and the bars say this themselves.
			v.Reasons = append(v.Reasons, web.Reason{What: web.Sentence(reason.What), Next: reason.Next})
		}
	}
	st := g.Facts.Stock
	v.Colour, v.Thickness = st.Colour, thicknessWords(st)
	v.SheetSize = web.Size(st.SheetWidthUM, st.SheetHeightUM)
	if !who.signed {
		return nil
	}
	var err error
	if v.Operates, err = s.operates(ctx, who.person, l.Machine.ID); err != nil {
		return err
	}
	v.MayOpen = v.Operates && l.Machine.Lockout == nil
	return s.stationTurn(ctx, l, r, who, v)
}

func thicknessWords(st material.Stock) string {
	if st.ByGrammage() {
		return thickWords(st)
	}
	return fmt.Sprintf("%s, caliper %s to %s\u00a0mm", thickWords(st),
		web.Millimetres(st.ThicknessUM-st.ToleranceUM), web.Millimetres(st.ThicknessUM+st.ToleranceUM))
}

// unheld are the titles of what a bar still asks for, beside the values that stand.
func unheld(b checklist.Bar) []string {
	var titles []string
	for _, f := range b.Item.Fields {
		if b.Values[f.Key] == "" {
			titles = append(titles, f.Title)
		}
	}
	return titles
}

// stationBar adds to a bar the fields that answer it. A yes-or-no question that comes last gets
// buttons of its own, so that it takes one touch.
func stationBar(b checklist.Bar, drawn web.GateBar) web.StationBar {
	v := web.StationBar{GateBar: drawn, Ask: web.Sentence(b.Item.Ask), Needs: b.Needs, Next: b.Next, Answered: b.Answered}
	if b.Needs == b.Item.Ask {
		v.Needs = ""
	}
	for i, f := range b.Item.Fields {
		field := web.FieldView{ID: "field-" + b.Item.Key + "-" + f.Key, Key: f.Key, Title: web.Sentence(f.Title), Kind: string(f.Kind),
			Unit: f.Unit, Value: b.Values[f.Key], Choices: f.Choices, Holds: f.Standing && b.Standing && b.Values[f.Key] != ""}
		if f.Kind == checklist.FieldYes && i == len(b.Item.Fields)-1 {
			v.AskYes = &field
			continue
		}
		v.Fields = append(v.Fields, field)
	}
	return v
}

// stationPlan fills in what the plan says, for those who may see it.
func (s *Server) stationPlan(ctx context.Context, l db.Lane, r db.Run, who reader, v *web.StationRun) error {
	if !who.signed {
		return nil
	}
	row, err := s.store.PlanFor(ctx, actorIn(ctx), r.Plan, r.Machine)
	if errors.Is(err, db.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	p := row.Plan
	if r.Placement != nil {
		v.Picture = web.PlacedSVG(p, "plan", l.Machine.Profile, r.Placement.Origin)
	} else {
		v.Picture = web.PlanSVG(p, "plan")
	}
	if v.Placing != nil {
		drawBed(v.Placing, p, r, l.Machine.Profile, p.SheetSize)
	}
	v.ToolOnMS, v.PurgeS = p.Numbers.BeamMS, p.PurgeS
	v.Order, v.Pieces = orderWords(p), web.PieceWords(p)
	v.Extents = web.Size(p.Extents.Width(), p.Extents.Height())
	for _, w := range p.Warnings {
		v.Warnings = append(v.Warnings, web.Reason{What: web.Sentence(w.What), Next: w.Next})
	}
	return nil
}
