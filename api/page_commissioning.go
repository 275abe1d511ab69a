package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/machine"
)

func commissioningPath(id uuid.UUID) string { return "/machines/" + id.String() + "/commissioning" }

func askPath(id uuid.UUID, key string) string { return commissioningPath(id) + "/ask/" + key }

// commissioningPage is GET /machines/:id/commissioning.
func (s *Server) commissioningPage(c echo.Context) error {
	return s.sendCommissioning(c, http.StatusOK, nil)
}

func (s *Server) sendCommissioning(c echo.Context, status int, problem *web.Problem) error {
	ctx := c.Request().Context()
	m, all, err := s.commissioningsOf(c)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.CommissioningView{Shell: s.shell(c, "Commissioning, "+m.Name, "/stations"), Path: commissioningPath(m.ID), Machine: machineView(m),
		Verdict: beamVerdict(m.Profile), MayAct: who.Person.Role.Officer(), Checks: "kerfgate worker check", Measures: "kerfgate worker commission"}
	v.Problem = problem
	for _, one := range all {
		if one.EndedAt == nil {
			if v.Open, err = s.openView(ctx, one, v.MayAct); err != nil {
				return err
			}
			continue
		}
		ended := "given up"
		if one.Result != nil {
			ended = "published"
		}
		v.Earlier = append(v.Earlier, web.CommissioningPast{Tool: one.Tool, By: one.EndedBy, At: s.local(*one.EndedAt), Ended: ended, Questions: s.questionRows(one, false)})
	}
	if v.Open == nil && v.MayAct {
		for _, t := range m.Profile.Tools {
			v.Tools = append(v.Tools, web.Choice{Value: t.Name, Label: t.Name})
		}
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderCommissioning(w, v) })
}

// commissioningsOf reads the machine of the page's address and what was measured there.
func (s *Server) commissioningsOf(c echo.Context) (db.Machine, []db.Commissioning, error) {
	m, err := named(c, s.store.Machine)
	if err != nil {
		return db.Machine{}, nil, err
	}
	all, err := s.store.Commissionings(c.Request().Context(), m.ID, shownCommissionings)
	return m, all, err
}

func (s *Server) openView(ctx context.Context, c db.Commissioning, linked bool) (*web.CommissioningOpen, error) {
	v := &web.CommissioningOpen{ID: c.ID.String(), Tool: c.Tool, BegunBy: c.BegunBy, BegunAt: s.local(c.BegunAt), Questions: s.questionRows(c, linked), Done: len(c.Answers)}
	if q, left := c.Next(); left {
		v.Next = askPath(c.Machine, q.Key)
		return v, nil
	}
	now, next, no, err := s.store.Proposal(ctx, c)
	if err != nil {
		return nil, err
	}
	v.Verdict, v.Changes = beamVerdict(next), profileChanges(now, next, c.Tool)
	for _, r := range no {
		v.No = append(v.No, web.Reason{What: web.Sentence(r.What), Next: web.Sentence(r.Next)})
	}
	return v, nil
}

func (s *Server) questionRows(c db.Commissioning, linked bool) []web.CommissioningRow {
	var rows []web.CommissioningRow
	for _, q := range c.Questions {
		row := web.CommissioningRow{Text: q.Text}
		if linked {
			row.Path = askPath(c.Machine, q.Key)
		}
		if a, ok := c.Answers[q.Key]; ok {
			row.Answered, row.Unmeasured, row.Who, row.At, row.How = true, !a.Measured, a.MeasuredByName, s.local(a.ToldAt), a.Way
			if row.Said = a.Words; q.Tries > 0 {
				row.Said = numberWords(a.Numbers) + " " + q.Unit
			}
			if a.Instrument != "" {
				row.How += ", " + a.Instrument
			}
			if a.ToldByName != a.MeasuredByName {
				row.Who += ", told by " + a.ToldByName
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func numberWords(numbers []int64) string {
	words := make([]string, len(numbers))
	for i, n := range numbers {
		words[i] = fmt.Sprint(n)
	}
	return strings.Join(words, ", ")
}

// beamVerdict says whether what was measured lets a beam run at all, as the gate judges it.
func beamVerdict(p machine.Profile) web.BeamVerdict {
	for _, t := range p.Tools {
		if no := checklist.ToolRefusals(p, t); len(no) > 0 {
			return web.BeamVerdict{What: "No beam runs: " + no[0].What + ".", Cure: web.Sentence(no[0].Next) + "."}
		}
	}
	if !p.HasBeam() {
		return web.BeamVerdict{Runs: true, What: "This machine has no beam, so no cut-off is asked for."}
	}
	worst, _ := p.CutOff.Worst()
	words := fmt.Sprintf("The beam is off at most %d ms after this software is gone", worst)
	if p.CutOff.Means != "" {
		words += ", by " + p.CutOff.Means
	}
	return web.BeamVerdict{Runs: true, What: words + "."}
}

// profileChanges lists what a commissioning changes in a profile.
func profileChanges(now, next machine.Profile, tool string) []web.CommissioningChange {
	before, _ := now.Tool(tool)
	after, _ := next.Tool(tool)
	yes := map[bool]string{true: "yes", false: "no"}
	ms := func(v int64) string {
		if v < 0 {
			return "not measured"
		}
		return fmt.Sprintf("%d ms", v)
	}
	unless := func(v int64, unit string) string {
		if v == 0 {
			return "not measured"
		}
		return fmt.Sprintf("%d %s", v, unit)
	}
	var all []web.CommissioningChange
	for _, line := range []web.CommissioningChange{
		{What: "Beam after the cable is pulled", Before: ms(now.CutOff.CablePulledMS), After: ms(next.CutOff.CablePulledMS)},
		{What: "Beam after the worker is killed", Before: ms(now.CutOff.WorkerKilledMS), After: ms(next.CutOff.WorkerKilledMS)},
		{What: "Beam after the host is suspended", Before: ms(now.CutOff.HostSuspendedMS), After: ms(next.CutOff.HostSuspendedMS)},
		{What: "Cut-off tested", Before: yes[now.CutOff.Tested], After: yes[next.CutOff.Tested]},
		{What: "What takes the beam away", Before: now.CutOff.Means, After: next.CutOff.Means},
		{What: "From Stop run to the beam off", Before: unless(now.CutOff.StopMS, "ms"), After: unless(next.CutOff.StopMS, "ms")},
		{What: "Switch", Before: before.Switch.Kind, After: after.Switch.Kind},
		{What: "Sensor on the tool", Before: yes[before.Switch.HasSensor], After: yes[after.Switch.HasSensor]},
		{What: "Delay on", Before: ms(before.Switch.OnDelayMS), After: ms(after.Switch.OnDelayMS)},
		{What: "Delay off", Before: ms(before.Switch.OffDelayMS), After: ms(after.Switch.OffDelayMS)},
		{What: "Jitter of the delays", Before: ms(before.Switch.JitterMS), After: ms(after.Switch.JitterMS)},
		{What: "Repeat error of X", Before: web.Millimetres(now.PlacingX.RepeatErrorUM) + " mm", After: web.Millimetres(next.PlacingX.RepeatErrorUM) + " mm"},
		{What: "Repeat error of Y", Before: web.Millimetres(now.PlacingY.RepeatErrorUM) + " mm", After: web.Millimetres(next.PlacingY.RepeatErrorUM) + " mm"},
		{What: "Gauge of the extraction", Before: unless(now.Air.CommissionedPa, "Pa"), After: unless(next.Air.CommissionedPa, "Pa")},
		{What: "Flow of the extraction", Before: unless(now.Air.MeasuredFlowM3PerH, "m³/h"), After: unless(next.Air.MeasuredFlowM3PerH, "m³/h")},
	} {
		if line.Before != line.After {
			all = append(all, line)
		}
	}
	return all
}

// beginCommissioningForm is POST /machines/:id/commissioning.
func (s *Server) beginCommissioningForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	begun, err := s.store.BeginCommissioning(c.Request().Context(), actorIn(c.Request().Context()), id, c.FormValue("tool"))
	return s.commissioningDone(c, begun, err)
}

// publishCommissioningForm is POST /machines/:id/commissioning/publish.
func (s *Server) publishCommissioningForm(c echo.Context) error {
	id, err := uuid.Parse(c.FormValue("id"))
	if err != nil {
		return db.ErrNotFound
	}
	done, err := s.store.PublishCommissioning(c.Request().Context(), actorIn(c.Request().Context()), id)
	return s.commissioningDone(c, done, err)
}

// abandonCommissioningForm is POST /machines/:id/commissioning/abandon.
func (s *Server) abandonCommissioningForm(c echo.Context) error {
	id, err := uuid.Parse(c.FormValue("id"))
	if err != nil {
		return db.ErrNotFound
	}
	one, err := s.store.Commissioning(c.Request().Context(), id)
	if err == nil {
		err = s.store.AbandonCommissioning(c.Request().Context(), actorIn(c.Request().Context()), id)
		one.Questions = nil
	}
	return s.commissioningDone(c, one, err)
}

// commissioningDone goes on with the next question, or with the list when none is left.
func (s *Server) commissioningDone(c echo.Context, one db.Commissioning, err error) error {
	to := commissioningPath(one.Machine)
	if q, left := one.Next(); left && one.EndedAt == nil {
		to = askPath(one.Machine, q.Key)
	}
	return s.afterForm(c, err, to, func(status int, problem *web.Problem) error { return s.sendCommissioning(c, status, problem) })
}

// askPage is GET /machines/:id/commissioning/ask/:item.
func (s *Server) askPage(c echo.Context) error {
	m, one, q, err := s.asked(c)
	if err != nil {
		return err
	}
	return s.sendQuestion(c, http.StatusOK, m, one, q, one.Answers[q.Key], nil)
}

// asked finds the question of the page's address in what is open at the machine.
func (s *Server) asked(c echo.Context) (m db.Machine, one db.Commissioning, q machine.Question, err error) {
	m, all, err := s.commissioningsOf(c)
	if err != nil {
		return m, one, q, err
	}
	i := slices.IndexFunc(all, func(x db.Commissioning) bool { return x.EndedAt == nil })
	if i < 0 {
		return m, one, q, db.ErrNotFound
	}
	one = all[i]
	q, ok := one.Question(c.Param("item"))
	if !ok {
		err = db.ErrNotFound
	}
	return m, one, q, err
}

// askForm is POST /machines/:id/commissioning/ask/:item.
func (s *Server) askForm(c echo.Context) error {
	m, one, q, err := s.asked(c)
	if err != nil {
		return err
	}
	a, err := s.readAnswer(c, q)
	if err == nil {
		after, saved := s.store.AnswerCommissioning(c.Request().Context(), actorIn(c.Request().Context()), one.ID, a)
		if err = saved; err == nil {
			return s.commissioningDone(c, after, nil)
		}
	}
	p, shown := s.refusedForm(c, err)
	if !shown {
		return err
	}
	return s.sendQuestion(c, p.status, m, one, q, a, pageReasons(p))
}

// readAnswer reads the form of a question. What can be read is given back with an error, too, so that
// nothing typed is lost.
func (s *Server) readAnswer(c echo.Context, q machine.Question) (a db.CommissioningAnswer, err error) {
	form, err := c.FormParams()
	if err != nil {
		return a, malformed("the form cannot be read")
	}
	other := func(choice, words string) string {
		if form.Get(choice) == "" {
			return form.Get(words)
		}
		return form.Get(choice)
	}
	a = db.CommissioningAnswer{Question: q.Key, Measured: form.Get("unmeasured") == "", Instrument: form.Get("instrument")}
	if a.MeasuredBy, err = uuid.Parse(form.Get("measured_by")); err != nil {
		return a, invalid("measured_by", "who measured is not said", "choose a person of the list")
	}
	if !a.Measured {
		return a, nil
	}
	if a.Way = other("way", "other_way"); q.Tries == 0 {
		a.Words = other("words", "other")
		return a, nil
	}
	a.Numbers, _, err = q.Read(strings.Join(form["try"], " "))
	if err != nil {
		return a, invalid("try", err.Error(), q.Do)
	}
	return a, nil
}

func (s *Server) sendQuestion(c echo.Context, status int, m db.Machine, one db.Commissioning, q machine.Question, said db.CommissioningAnswer, problem *web.Problem) error {
	at := slices.IndexFunc(one.Questions, func(x machine.Question) bool { return x.Key == q.Key })
	v := web.CommissioningQuestionView{Shell: s.shell(c, q.Text, "/stations"), Path: askPath(m.ID, q.Key), List: commissioningPath(m.ID), Machine: machineView(m), Tool: one.Tool,
		Number: at + 1, Of: len(one.Questions), Text: q.Text, Do: q.Do, Unit: q.Unit, Instrument: said.Instrument}
	v.Problem = problem
	if at > 0 {
		v.Before = askPath(m.ID, one.Questions[at-1].Key)
	}
	tool, _ := m.Profile.Tool(one.Tool)
	beam := tool.Kind == machine.ToolBeam
	v.BeamOn = beam && slices.Contains([]string{machine.AskCablePulled, machine.AskWorkerKilled, machine.AskHostSuspended, machine.AskOn, machine.AskOff, machine.AskStop}, q.Key)
	switch q.Key {
	case machine.AskCablePulled, machine.AskWorkerKilled, machine.AskHostSuspended:
		v.Unmeasured = "Left unmeasured, the cut-off counts as untested and no beam runs. Over a second no beam runs either; the list then says what cures it."
	}
	v.WorkerMeasures, v.WorkerMoves = m.Profile.WorkerMeasures(q.Key), q.Key != machine.AskAnswered
	for i := range boxes(q, len(said.Numbers)) {
		try := web.Try{Number: i + 1, Required: i < q.Tries}
		if i < len(said.Numbers) {
			try.Value = fmt.Sprint(said.Numbers[i])
		}
		v.Tries = append(v.Tries, try)
	}
	v.Choices, v.OtherSaid = ticked(q.Choices, said.Words)
	v.OtherWords = q.Words
	v.Ways, v.OtherWay = ticked(q.By, said.Way)
	people, err := s.store.Accounts(c.Request().Context(), uuid.Nil, 100)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	measured := said.MeasuredBy
	if measured == uuid.Nil {
		measured = who.Person.ID
	}
	if !slices.ContainsFunc(people, func(a db.Account) bool { return a.ID == who.Person.ID }) {
		people = append(people, db.Account{Person: who.Person})
	}
	for _, p := range people {
		if !p.Disabled {
			v.People = append(v.People, web.Role{Value: p.ID.String(), Label: p.Name, Chosen: p.ID == measured})
		}
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderCommissioningQuestion(w, v) })
}

// boxes is how many numbers the page has room for.
func boxes(q machine.Question, said int) int {
	if q.Tries < 2 {
		return q.Tries
	}
	return max(q.Tries+2, said)
}

// ticked marks the choice that was said; other is what was said beside them.
func ticked(choices []string, said string) (all []web.Ticked, other string) {
	for _, choice := range choices {
		all = append(all, web.Ticked{Value: choice, Chosen: choice == said})
	}
	if said != "" && !slices.Contains(choices, said) {
		other = said
	}
	return all, other
}
