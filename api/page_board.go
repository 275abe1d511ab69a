package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/machine"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// boardPage is GET /.
func (s *Server) boardPage(c echo.Context) error {
	v, err := s.boardView(c)
	if err != nil {
		return err
	}
	if err := s.noticeOn(c, &v); err != nil {
		return err
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderBoard(w, v) })
}

// boardLanes is GET /board/lanes, the part of an open board that changes.
func (s *Server) boardLanes(c echo.Context) error {
	return show(c, s.boardView, web.RenderLanes)
}

func (s *Server) boardView(c echo.Context) (web.BoardView, error) {
	v := web.BoardView{Shell: s.shell(c, "Board", "/")}
	lanes, err := s.laneViews(c)
	v.Lanes = lanes
	return v, err
}

func (s *Server) laneViews(c echo.Context) ([]web.LaneView, error) {
	ctx := c.Request().Context()
	reader, err := s.readerOf(ctx, c)
	if err != nil {
		return nil, err
	}
	all, err := s.lanes.get(ctx)
	if err != nil {
		return nil, err
	}
	views := make([]web.LaneView, 0, len(all.lanes))
	for _, l := range all.lanes {
		v := s.laneView(l, reader)
		v.Late = calibrationWarning(all.standing[l.Machine.ID])
		views = append(views, v)
	}
	return views, nil
}

// laneOf is one machine's lane and how its calibration stands. Errors: db.ErrNotFound.
func (s *Server) laneOf(ctx context.Context, machine uuid.UUID) (db.Lane, db.CalibrationStanding, error) {
	all, err := s.lanes.get(ctx)
	if err != nil {
		return db.Lane{}, db.CalibrationStanding{}, err
	}
	for _, l := range all.lanes {
		if l.Machine.ID == machine {
			return l, all.standing[machine], nil
		}
	}
	return db.Lane{}, db.CalibrationStanding{}, db.ErrNotFound
}

// reader is who looks at a page. Without sign-in a page shows lanes, phases and numbers; names,
// titles and reasons are for members, other people's jobs for those who may see them all.
type reader struct {
	person  uuid.UUID
	signed  bool
	seesAll bool
}

func (s *Server) readerOf(ctx context.Context, c echo.Context) (reader, error) {
	who, ok := personOf(c)
	if !ok {
		return reader{}, nil
	}
	all, err := s.hasRole(ctx, who, []role{operator, officer, admin})
	return reader{person: who.Person.ID, signed: true, seesAll: all}, err
}

func (r reader) mine(run db.Run) bool { return r.signed && run.Member == r.person }

// title is what a run is called to this reader.
func (r reader) title(run db.Run) string {
	if !r.signed {
		return fmt.Sprintf("run %d", run.Number)
	}
	return run.JobTitle
}

func (r reader) name(name string) string {
	if !r.signed {
		return ""
	}
	return shortName(name)
}

func (s *Server) laneView(l db.Lane, who reader) web.LaneView {
	v := web.LaneView{Machine: machineView(l.Machine), Lockout: s.lockoutView(l.Machine.Lockout, who),
		Watch: s.watchView(l.Machine, who)}
	v.Gate, v.GateWords = laneGate(l)
	v.Now = s.nowView(l, who)

	for i, r := range l.Next {
		if i >= web.BoardTickets {
			break
		}
		v.Queue = append(v.Queue, s.ticket(l, r, who))
	}
	v.More = int(l.Waiting) - len(v.Queue)
	return v
}

// ticket is a waiting run as the board and the page of the queue show it.
func (s *Server) ticket(l db.Lane, r db.Run, who reader) web.Ticket {
	t := web.Ticket{ID: r.ID.String(), Number: r.Number, Title: who.title(r), Copy: r.Copy, Copies: r.Copies, Who: who.name(r.MemberName),
		Mine: who.mine(r), TakesMS: r.PlanTotalMS, AtGate: r.Phase == queue.Checking}
	if t.Mine || who.seesAll {
		t.Href = "/jobs/" + r.Job.String()
	}
	p, placed := l.Queue.ByRun(r.ID)
	t.Reason, t.Absent, t.Late = who.why(p), p.Absent, p.Due != nil && !p.Promised && p.End != nil && p.End.After(*p.Due)
	t.Called, t.Due, t.NotBefore, t.ReadyBy = s.localOrNil(p.Called), s.localOrNil(p.Due), s.localOrNil(p.End), s.localOrNil(p.Slowest)
	t.Start = s.localOrNil(p.Start)
	if p.CalledSeen {
		t.Called = nil
	}
	switch {
	case l.Machine.Lockout != nil:
		t.Waiting = "waits for the machine"
	case placed && p.Why == queue.WhyNoSheet:
		t.Waiting = p.Reason
	case p.Absent:
		t.Waiting = "called, not here: the next one goes"
	case !r.Ready:
		t.Waiting = "the machine is not ready for it"
	}
	return t
}

// why says to this reader why a run has its place; what somebody wrote is for members.
func (r reader) why(p queue.Place) string {
	if p.Why == queue.WhyTaken && !r.signed {
		return string(queue.WhyTaken)
	}
	return p.Reason
}

// readingFresh is how old a reading may be to count as what the machine does now.
const readingFresh = 10 * time.Second

// readingOf is the machine's newest reading of this run, if it is fresh.
func (s *Server) readingOf(r db.Run, now time.Time) (broker.Reading, bool) {
	reading, at, ok := s.floor.Reading(r.Machine)
	if !ok || reading.Run != r.ID || now.Sub(at) > readingFresh {
		return broker.Reading{}, false
	}
	return reading, true
}

func machineView(m db.Machine) web.MachineView {
	v := web.MachineView{ID: m.ID.String(), Bay: m.Bay, Name: m.Name}
	if tool, ok := m.Profile.Tool(m.Tool); ok {
		v.Beam = tool.Kind == machine.ToolBeam
		v.Carries = toolWords(tool, m.Profile)
	}
	if d := m.Profile.Driver; d.Kind == machine.DriverSimulated {
		v.Simulated = fmt.Sprintf("simulated: motion %d×, purge and watch %d×", max(1, d.MotionScale), max(1, d.WaitScale))
	}
	return v
}

func toolWords(t machine.Tool, p machine.Profile) string {
	if t.Kind != machine.ToolBeam {
		return fmt.Sprintf("pen, line %s mm", web.Millimetres(t.SpotUM))
	}
	words := fmt.Sprintf("beam %d nm, %s W", t.WavelengthNM, web.Millimetres(t.PowerMW))
	if p.Enclosure.Kind != "" {
		words += ", " + p.Enclosure.Kind
	}
	return words
}

func (s *Server) lockoutView(l *db.Lockout, who reader) *web.LockoutView {
	if l == nil {
		return nil
	}
	v := &web.LockoutView{Reason: "The reason is shown to members.", By: "a person", Since: s.local(l.SetAt)}
	if who.signed {
		v.Reason, v.By = web.Sentence(l.Reason), l.SetName
		if l.SetBy == uuid.Nil {
			v.By = "the system"
		}
	}
	return v
}

// laneGate draws the lane's gate with the words under it. Beyond the signature the gate is open,
// whatever the answers say later.
func laneGate(l db.Lane) (web.Gate, string) {
	if l.Machine.Lockout != nil {
		return web.Gate{Locked: true}, "locked out"
	}
	if l.Gate == nil {
		return shutGate(l), "shut"
	}
	g := gateView(*l.Gate)
	if l.Active != nil {
		return g, fmt.Sprintf("open for run %d", l.Active.Number)
	}
	if n := g.Down(); n > 0 {
		return g, web.Count(n, "bar", "bars") + " down"
	}
	return g, "all bars up"
}

// shutGate draws the gate that the next run will meet: every bar down.
func shutGate(l db.Lane) web.Gate {
	name := l.Machine.Tool
	if len(l.Next) > 0 {
		name = l.Next[0].Tool
	}
	tool, _ := l.Machine.Profile.Tool(name)
	var g web.Gate
	// What the run itself may ask for besides is known when its checklist is opened.
	usual := checklist.Facts{Profile: l.Machine.Profile, Tool: tool, Circumstances: checklist.Circumstances{Counted: true}}
	for _, item := range l.Machine.Checklist.ForRun(l.Machine.Profile, tool).ForFacts(usual).Items {
		g.Bars = append(g.Bars, web.GateBar{Key: item.Key, Title: item.Title})
	}
	return g
}

// gateView turns bars into the drawing. Bars of a run that was signed were all up, or it would not
// have been (I1).
func gateView(g db.Gate) web.Gate {
	var v web.Gate
	for _, b := range g.Bars {
		v.Bars = append(v.Bars, barView(b, wasSigned(g.Run)))
	}
	return v
}

func wasSigned(r db.Run) bool {
	return r.Phase.Active() || r.Phase == queue.Closed && r.StartedAt != nil
}

func barView(b checklist.Bar, signed bool) web.GateBar {
	v := web.GateBar{Key: b.Item.Key, Title: b.Item.Title, Up: b.Up, Problem: b.Problem}
	if signed && b.Answered {
		v.Up, v.Problem = true, ""
	}
	for _, f := range b.Item.Fields {
		if value := b.Values[f.Key]; value != "" {
			v.Said = append(v.Said, saidWords(f, value))
		}
	}
	return v
}

// saidWords writes one answer as people read it.
func saidWords(f checklist.Field, value string) string {
	switch f.Kind {
	case checklist.FieldYes:
		if value == "yes" {
			return f.Title
		}
		return f.Title + ": " + value
	case checklist.FieldNumber:
		if f.Unit == "" { // a count, of what the title names
			return value + " " + f.Title
		}
		return value + " " + f.Unit
	case checklist.FieldText:
		return f.Title + " " + value
	case checklist.FieldPerson:
		return f.Title + " signed in for it"
	case checklist.FieldMonth:
		return f.Title + " " + value
	}
	return value
}

func (s *Server) nowView(l db.Lane, who reader) *web.NowView {
	if l.Active == nil {
		switch {
		case l.Machine.Lockout != nil:
			return nil
		case l.Gate == nil && len(l.Next) > 0 && l.Next[0].Ready:
			return &web.NowView{Phase: string(l.Next[0].Phase), Head: "free", Words: "the next run waits for an operator"}
		case l.Gate == nil:
			return nil
		}
		return &web.NowView{Phase: string(l.Gate.Run.Phase), Head: "at the gate", Words: gateWords(*l.Gate, who)}
	}
	r := *l.Active
	now := s.local(s.now())
	v := &web.NowView{Phase: string(r.Phase), Head: fmt.Sprintf("%s, %s", who.title(r), r.MaterialName), TotalMS: r.PlanTotalMS}
	attended := ""
	if who.signed && r.OperatorName != "" {
		attended = ", attended by " + shortName(r.OperatorName)
	}
	reading, fresh := s.readingOf(r, now)
	switch r.Phase {
	case queue.Permitted:
		v.Words = "signed; the machine is taking the permit"
	case queue.Starting:
		v.Words = "starting" + attended
	case queue.Running, queue.Paused:
		v.Words = string(r.Phase) + attended
		if r.Phase == queue.Paused && r.Reason != "" {
			v.Words = "paused: " + r.Reason + attended
		}
		v.Then = "then the purge"
		if !fresh {
			v.Then = "no news from the machine"
			break
		}
		v.HasLeft, v.DoneMS, v.LeftMS, v.LeftText = true, reading.DoneMS, reading.LeftMS, web.Duration(reading.LeftMS)
		if reading.TotalMS > 0 {
			v.TotalMS = reading.TotalMS
		}
	case queue.Purging:
		v.Words = fmt.Sprintf("%s; purging", r.Outcome)
		if fresh && reading.PurgeS > 0 {
			v.Words += fmt.Sprintf(", at least %s more", web.Duration(reading.PurgeS*1000))
		}
	case queue.Inspecting:
		v.Words = fmt.Sprintf("%s; waits for its inspection", r.Outcome)
	}
	return v
}

func gateWords(g db.Gate, who reader) string {
	var down []string
	for _, b := range g.Bars {
		if !b.Up {
			down = append(down, strings.ToLower(b.Item.Title))
		}
	}
	words := strings.Join(down, ", ")
	if len(down) == 0 {
		words = "all answered"
	}
	if name := who.name(g.Run.OperatorName); name != "" {
		words += ": " + name + " is answering"
	}
	return words
}
