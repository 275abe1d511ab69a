package api

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/plan/calibration"
	"kerfgate/plan/geom"
	"kerfgate/queue"
)

func calibrationPath(id uuid.UUID) string { return "/calibrations/" + id.String() }

// startCalibrationForm is POST /machines/:id/calibrations.
func (s *Server) startCalibrationForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	stock, errStock := uuid.Parse(c.FormValue("stock"))
	width, errWidth := typedMM("width_mm", c.FormValue("width_mm"))
	height, errHeight := typedMM("height_mm", c.FormValue("height_mm"))
	switch {
	case errStock != nil:
		return s.machineForm(c, id, invalid("stock", "no lot is chosen", "choose what it is drawn on"))
	case errWidth != nil:
		return s.machineForm(c, id, errWidth)
	case errHeight != nil:
		return s.machineForm(c, id, errHeight)
	}
	ctx := c.Request().Context()
	made, err := planning(ctx, s, s.store.StartCalibration, db.NewCalibration{Machine: id, Tool: c.FormValue("tool"), Stock: stock, WidthUM: width, HeightUM: height})
	if err != nil {
		return s.machineForm(c, id, err)
	}
	return c.Redirect(http.StatusSeeOther, calibrationPath(made.ID))
}

// calibrationPage is GET /calibrations/:id.
func (s *Server) calibrationPage(c echo.Context) error {
	return s.sendCalibration(c, http.StatusOK, nil, nil)
}

// sendCalibration sends the page; typed are readings that were refused, kept as they were typed.
func (s *Server) sendCalibration(c echo.Context, status int, problem *web.Problem, typed map[string][]string) error {
	ctx := c.Request().Context()
	one, err := named(c, s.store.Calibration)
	if err != nil {
		return err
	}
	m, err := s.store.Machine(ctx, one.Machine)
	if err != nil {
		return err
	}
	may, err := s.mayHandle(c, m.ID)
	if err != nil {
		return err
	}
	v := web.CalibrationView{Shell: s.shell(c, "Calibration, "+m.Name, "/stations"), Path: calibrationPath(one.ID), MachinePath: machinePath(m.ID), Machine: machineView(m),
		Rev: one.Rev, State: calibrationWord(one), Size: web.Millimetres(one.Pattern.WidthUM) + " × " + web.Millimetres(one.Pattern.HeightUM) + " mm",
		StartedBy: one.StartedName, StartedAt: s.local(one.StartedAt), Run: runLink(one.Run, one.RunNumber, one.RunPhase, one.RunOutcome),
		Picture: patternPicture(one.Pattern), UncertainMM: web.Millimetres(calibration.DefaultUncertainUM),
		Measured: s.stamp(one.MeasuredName, one.MeasuredAt), Decided: s.stamp(one.DecidedName, one.DecidedAt), Decision: string(one.Decision), Reason: one.Reason}
	v.Problem = problem
	open := one.Decision == db.Undecided && may
	if v.MayMeasure = open && one.RunOutcome == queue.OutcomeCompleted; one.RunOutcome == queue.NoOutcome {
		v.Station = "/station/" + m.ID.String()
	}
	// A run that never drew it leaves a calibration that can only be refused.
	v.MayDecide, v.MayRefuse = open && one.Result != nil, open && (one.Result != nil || one.RunOutcome != queue.NoOutcome)
	v.Distances = distanceRows(one, typed)
	if r := one.Result; r != nil {
		v.UncertainMM = web.Millimetres(r.Instrument.UncertainUM)
		v.Found = foundRows(*r)
		v.Bed, v.BedUncertain = micrometreWords(one.Proposal.Bed.Value), micrometreWords(one.Proposal.Bed.Uncertain)
		v.Spread = fmt.Sprintf("Single distances scatter by %.0f µm, %.0f µm were to be expected; %d more were measured than are needed.", r.SpreadUM, r.ExpectedUM, r.Spare)
		v.Outlier = r.Outlier
		for _, change := range one.Proposal.Changes {
			v.Changes = append(v.Changes, web.CommissioningChange{What: web.Sentence(change.What), Before: change.Before, After: change.After})
		}
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderCalibration(w, v) })
}

func runLink(id uuid.UUID, number int64, phase queue.Phase, outcome queue.Outcome) web.RunLink {
	words := string(outcome)
	if outcome == queue.NoOutcome {
		words = string(phase)
	}
	return web.RunLink{Number: number, Href: "/runs/" + id.String(), Words: words}
}

var alongWords = map[calibration.Along]string{calibration.AlongX: "between upright lines", calibration.AlongY: "between level lines", calibration.AlongSlant: "from crossing to crossing"}

// fieldOf is a distance's name in the form.
func fieldOf(distance string) string { return "d-" + strings.ToLower(distance) }

func distanceRows(c db.Calibration, typed map[string][]string) []web.DistanceRow {
	read := map[string][]int64{}
	for _, r := range c.Readings {
		read[r.Distance] = r.UM
	}
	var rows []web.DistanceRow
	for _, d := range c.Pattern.Distances() {
		row := web.DistanceRow{Name: d.Name, How: alongWords[d.Along], Nominal: strconv.FormatFloat(d.NominalUM()/1000, 'f', 2, 64), FieldName: fieldOf(d.Name)}
		text := typed[row.FieldName]
		if typed == nil {
			for _, um := range read[d.Name] {
				text = append(text, web.Millimetres(um))
			}
		}
		if len(text) > 0 {
			row.First = text[0]
		}
		if len(text) > 1 {
			row.Second = text[1]
		}
		if c.Result != nil {
			for _, r := range c.Result.Residuals {
				if r.Distance == d.Name {
					row.Residual = wholeNumber(r.UM()) + " µm"
				}
			}
			row.Doubted = c.Result.Outlier == d.Name
		}
		rows = append(rows, row)
	}
	return rows
}

func foundRows(r calibration.Result) []web.FoundRow {
	row := func(what, words string, e calibration.Estimate, unit string) web.FoundRow {
		return web.FoundRow{What: what, Words: words, Value: wholeNumber(e.Value) + " " + unit, Uncertain: fmt.Sprintf("%.0f %s", math.Ceil(e.Uncertain), unit), Clear: e.Clear()}
	}
	play := func(e calibration.Estimate) string {
		switch {
		case !e.Clear():
			return "as the profile says"
		case e.Value < 0:
			return "more is made up for than is lost"
		}
		return "is lost at each turn, besides what is made up for"
	}
	return []web.FoundRow{
		row("Scale of x", calibration.ScaleText(int64(math.Round(r.ScaleX.Value))), r.ScaleX, "ppm"),
		row("Scale of y", calibration.ScaleText(int64(math.Round(r.ScaleY.Value))), r.ScaleY, "ppm"),
		row("Squareness", calibration.SquarenessText(int64(math.Round(r.Squareness.Value))), r.Squareness, "µrad"),
		row("Backlash of x", play(r.BacklashX), r.BacklashX, "µm"),
		row("Backlash of y", play(r.BacklashY), r.BacklashY, "µm"),
	}
}

// wholeNumber rounds to whole units, with a minus as people write it.
func wholeNumber(v float64) string {
	n := int64(math.Round(v))
	if n < 0 {
		return "−" + strconv.FormatInt(-n, 10)
	}
	return strconv.FormatInt(n, 10)
}

// patternPicture is the pattern as a person sees it, y upwards.
func patternPicture(p calibration.Pattern) *web.PatternPicture {
	const edge = 8_000
	h := p.HeightUM + 2*edge
	at := func(q geom.Point) (string, string) { return plainMM(q.X + edge), plainMM(h - edge - q.Y) }
	v := &web.PatternPicture{Width: plainMM(p.WidthUM + 2*edge), Height: plainMM(h)}
	for _, line := range p.Lines() {
		d := ""
		for i, q := range line {
			word := "L"
			if i == 0 {
				word = "M"
			}
			x, y := at(q)
			d += word + x + " " + y
		}
		v.Lines = append(v.Lines, d)
	}
	seen := map[string]bool{}
	for _, d := range p.Distances() {
		for _, m := range []calibration.Mark{d.From, d.To} {
			if !seen[m.Name] {
				seen[m.Name] = true
				x, y := at(m.At.Add(geom.Pt(1_000, 1_200)))
				v.Marks = append(v.Marks, web.PatternMark{Name: m.Name, X: x, Y: y})
			}
		}
	}
	return v
}

// plainMM prints µm as mm for a drawing.
func plainMM(um int64) string { return strconv.FormatFloat(float64(um)/1000, 'f', -1, 64) }

// readingsForm is POST /calibrations/:id/readings.
func (s *Server) readingsForm(c echo.Context) error {
	ctx := c.Request().Context()
	one, err := named(c, s.store.Calibration)
	if err != nil {
		return err
	}
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	readings, uncertain, err := typedReadings(one.Pattern, form)
	if err == nil {
		rev, _ := strconv.ParseInt(c.FormValue("rev"), 10, 64)
		_, err = s.store.MeasureCalibration(ctx, actorIn(ctx), one.ID, rev, readings, uncertain)
	}
	return s.calibrationForm(c, one.ID, form, err)
}

func typedReadings(p calibration.Pattern, form map[string][]string) ([]calibration.Reading, int64, error) {
	var readings []calibration.Reading
	for _, d := range p.Distances() {
		r := calibration.Reading{Distance: d.Name}
		for _, text := range form[fieldOf(d.Name)] {
			if strings.TrimSpace(text) == "" {
				continue
			}
			um, err := typedMM(d.Name, text)
			if err != nil {
				return nil, 0, err
			}
			r.UM = append(r.UM, um)
		}
		if len(r.UM) > 0 {
			readings = append(readings, r)
		}
	}
	text := ""
	if given := form["uncertain_mm"]; len(given) > 0 {
		text = given[0]
	}
	uncertain, err := typedMM("uncertain_mm", text)
	return readings, uncertain, err
}

// acceptCalibrationForm is POST /calibrations/:id/accept.
func (s *Server) acceptCalibrationForm(c echo.Context) error {
	return s.decidedForm(c, func(id uuid.UUID, rev int64) error {
		_, err := s.store.AcceptCalibration(c.Request().Context(), actorIn(c.Request().Context()), id, rev)
		return err
	})
}

// refuseCalibrationForm is POST /calibrations/:id/refuse.
func (s *Server) refuseCalibrationForm(c echo.Context) error {
	return s.decidedForm(c, func(id uuid.UUID, rev int64) error {
		_, err := s.store.RefuseCalibration(c.Request().Context(), actorIn(c.Request().Context()), id, rev, strings.TrimSpace(c.FormValue("reason")))
		return err
	})
}

func (s *Server) decidedForm(c echo.Context, decide func(id uuid.UUID, rev int64) error) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	rev, _ := strconv.ParseInt(c.FormValue("rev"), 10, 64) // none: whatever it is now
	return s.calibrationForm(c, id, nil, decide(id, rev))
}

func (s *Server) calibrationForm(c echo.Context, id uuid.UUID, typed map[string][]string, err error) error {
	return s.afterForm(c, err, calibrationPath(id), func(status int, problem *web.Problem) error {
		return s.sendCalibration(c, status, problem, typed)
	})
}
