package api

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/calibration"
	"kerfgate/plan/machine"
	"kerfgate/queue"
)

// shownPast is how many calibrations, grids and lockouts a machine's page shows.
const shownPast = 10

func machinePath(id uuid.UUID) string { return "/machines/" + id.String() }

// machinePage is GET /machines/:id.
func (s *Server) machinePage(c echo.Context) error { return s.sendMachine(c, http.StatusOK, nil) }

func (s *Server) sendMachine(c echo.Context, status int, problem *web.Problem) error {
	ctx := c.Request().Context()
	m, err := named(c, s.store.Machine)
	if err != nil {
		return err
	}
	looks, err := s.readerOf(ctx, c)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.MachinePageView{Shell: s.shell(c, m.Name, "/stations"), Path: machinePath(m.ID), Machine: machineView(m),
		MayLift: who.Person.Role.Officer(), Commissions: who.Person.Role.Officer() || who.Person.Role.Admin(),
		Lockout: s.lockoutView(m.Lockout, looks), Watch: s.watchView(m, looks), Profile: profileParts(m.Profile),
		Sides: fmt.Sprintf("%s to %s mm", web.Millimetres(calibration.LeastSideUM), web.Millimetres(calibration.MostSideUM))}
	v.Problem = problem
	if v.MayHandle, err = s.mayHandle(c, m.ID); err != nil {
		return err
	}
	for _, t := range m.Profile.Tools {
		v.Tools = append(v.Tools, web.Choice{Value: t.Name, Label: t.Name})
	}
	standing, err := s.store.CalibrationStandings(ctx, m.ID)
	if err != nil {
		return err
	}
	v.Calibration = s.calibrationState(standing[m.ID])
	past, err := s.store.Calibrations(ctx, m.ID, shownPast)
	if err != nil {
		return err
	}
	for _, one := range past {
		v.History = append(v.History, s.calibrationRow(one))
	}
	grids, err := s.store.SettingsGrids(ctx, m.ID, shownPast)
	if err != nil {
		return err
	}
	for _, g := range grids {
		v.Grids = append(v.Grids, s.gridRow(g))
	}
	if err := s.provenOn(c, m, &v); err != nil {
		return err
	}
	ran, err := s.store.MachineHours(ctx, m.ID)
	if err != nil {
		return err
	}
	v.Hours = fmt.Sprintf("Ran %s in all", web.Duration(ran))
	if st := standing[m.ID]; st.Last != nil {
		v.Hours += fmt.Sprintf(", %s since it was calibrated", web.Duration(st.RanMS))
	}
	v.Hours += ", machine time of all runs that are over."
	if err := s.viewOn(c, m, &v); err != nil {
		return err
	}
	locks, err := s.store.PastLockouts(ctx, m.ID, shownPast)
	if err != nil {
		return err
	}
	for _, l := range locks {
		at := s.local(l.LiftedAt)
		v.Lockouts = append(v.Lockouts, web.LockoutRow{Reason: web.Sentence(l.Reason), By: l.SetName, At: s.local(l.SetAt), LiftedBy: l.LiftedName, LiftedAt: &at, LiftedReason: l.LiftedReason})
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderMachine(w, v) })
}

// mayHandle says whether who asks may calibrate the machine and work grids on it.
func (s *Server) mayHandle(c echo.Context, id uuid.UUID) (bool, error) {
	who, ok := personOf(c)
	if !ok || who.Person.Role.Officer() {
		return ok, nil
	}
	all, err := s.authorisations(c.Request().Context(), who.Person.ID)
	if err != nil {
		return false, err
	}
	now := s.now()
	for _, a := range all {
		if a.Machine == id && valid(a, now) {
			return true, nil
		}
	}
	return false, nil
}

// provenOn fills in what is proven on a machine, and the lots that could be tried.
func (s *Server) provenOn(c echo.Context, m db.Machine, v *web.MachinePageView) error {
	ctx := c.Request().Context()
	materials, err := s.store.Materials(ctx)
	if err != nil {
		return err
	}
	names := make(map[uuid.UUID]string, len(materials))
	for _, k := range materials {
		names[k.ID] = k.Name
		for _, lot := range k.Stock {
			if lot.Count > lot.Reserved {
				v.Stocks = append(v.Stocks, web.Choice{Value: lot.ID.String(), Label: fmt.Sprintf("%s, %s, %s mm, lot %s", k.Name, lot.Colour, web.Millimetres(lot.ThicknessUM), lot.Lot)})
			}
		}
	}
	settings, err := s.store.Settings(ctx, m.ID)
	if err != nil {
		return err
	}
	for _, set := range settings {
		tool, _ := m.Profile.Tool(set.Tool)
		row := settingRow(set)
		row.Material, row.Dose = names[set.Material], doseWords(set.LineDose(tool.PowerMW))
		v.Settings = append(v.Settings, row)
	}
	return nil
}

func settingWords(speed, power, passes int64) string {
	words := fmt.Sprintf("%s mm/s, %s %%", web.Millimetres(speed), tenths(power))
	if passes > 1 {
		words += fmt.Sprintf(", %d passes", passes)
	}
	return words
}

func tenths(v int64) string {
	if v%10 == 0 {
		return strconv.FormatInt(v/10, 10)
	}
	return fmt.Sprintf("%d.%d", v/10, v%10)
}

// doseWords says a line dose in µJ/mm; empty where there is none.
func doseWords(uj int64) string {
	if uj == 0 {
		return ""
	}
	return strconv.FormatFloat(float64(uj)/1e6, 'g', 3, 64) + " J/mm"
}

// calibrationState says how a machine stands.
func (s *Server) calibrationState(st db.CalibrationStanding) web.CalibrationState {
	v := web.CalibrationState{Word: string(st.State), Late: st.Late(), Why: st.Why, Days: st.Rule.Days, Hours: st.Rule.Hours}
	var due []string
	if st.DueAt != nil {
		due = append(due, "by "+s.local(*st.DueAt).Format("2 January 2006"))
	}
	if st.LeftHours != nil {
		due = append(due, fmt.Sprintf("after %d more machine hours", *st.LeftHours))
		if *st.LeftHours < 0 {
			due[len(due)-1] = fmt.Sprintf("since %d machine hours", -*st.LeftHours)
		}
	}
	if st.Last != nil {
		v.Due = "Measured " + s.local(*st.Last).Format("2 January 2006")
		if len(due) > 0 {
			v.Due += "; due " + strings.Join(due, " or ")
		}
		v.Due += "."
	}
	return v
}

// calibrationWarning is one line for boards and stations; empty where there is nothing to warn of.
func calibrationWarning(st db.CalibrationStanding) string {
	if !st.Late() {
		return ""
	}
	return fmt.Sprintf("Calibration %s: %s", st.State, st.Why)
}

func (s *Server) calibrationRow(c db.Calibration) web.CalibrationRow {
	row := web.CalibrationRow{Href: calibrationPath(c.ID), At: s.local(c.StartedAt), By: c.StartedName, State: calibrationWord(c), Pending: c.Decision == db.Undecided}
	if c.Result != nil {
		row.Found = fmt.Sprintf("%s off at the far corner of the bed, ± %s", micrometreWords(c.Proposal.Bed.Value), micrometreWords(c.Proposal.Bed.Uncertain))
	}
	return row
}

// micrometreWords rounds up to whole µm.
func micrometreWords(um float64) string {
	return strconv.FormatFloat(math.Ceil(um), 'f', 0, 64) + " µm"
}

// calibrationWord says what a calibration waits for, or what became of it.
func calibrationWord(c db.Calibration) string {
	switch {
	case c.Decision != db.Undecided:
		return string(c.Decision)
	case c.Result != nil:
		return "to be decided"
	case c.RunOutcome == queue.OutcomeCompleted:
		return "to be measured"
	case c.RunOutcome != queue.NoOutcome:
		return "not drawn: " + string(c.RunOutcome)
	}
	return "to be drawn"
}

// profileParts are a profile in words and numbers.
func profileParts(p machine.Profile) []web.ProfilePart {
	var all []web.ProfilePart
	part := func(head string, says ...web.Said) {
		var kept []web.Said
		for _, s := range says {
			if s.Value != "" {
				kept = append(kept, s)
			}
		}
		all = append(all, web.ProfilePart{Head: head, Says: kept})
	}
	speed := func(v int64) string { return web.Millimetres(v) + " mm/s" }
	size := func(um int64) string { return web.Millimetres(um) + " mm" }
	unless := func(v int64, words string) string {
		if v == 0 {
			return ""
		}
		return words
	}
	geometry := p.Geometry
	if geometry == nil {
		geometry = &machine.Geometry{}
	}
	part("Ways",
		web.Said{Name: "travel", Value: size(p.TravelUM.Width()) + " × " + size(p.TravelUM.Height())},
		web.Said{Name: "smallest step", Value: size(p.SmallestStepUM)},
		web.Said{Name: "speed at work", Value: "up to " + speed(p.WorkSpeedUMPerS)},
		web.Said{Name: "speed of travel", Value: speed(p.TravelSpeedUMPerS)},
		web.Said{Name: "acceleration", Value: fmt.Sprintf("x %s, y %s mm/s²", web.Millimetres(p.AccelXUMPerS2), web.Millimetres(p.AccelYUMPerS2))},
		web.Said{Name: "x finds its place", Value: p.PlacingX.How + ", ± " + size(p.PlacingX.RepeatErrorUM)},
		web.Said{Name: "y finds its place", Value: p.PlacingY.How + ", ± " + size(p.PlacingY.RepeatErrorUM)})
	part("How true, as calibrated",
		web.Said{Name: "x", Value: calibration.ScaleText(geometry.ScaleXPPM)},
		web.Said{Name: "y", Value: calibration.ScaleText(geometry.ScaleYPPM)},
		web.Said{Name: "squareness", Value: calibration.SquarenessText(geometry.SquarenessURad)},
		web.Said{Name: "backlash", Value: fmt.Sprintf("x %s, y %s", size(p.BacklashXUM), size(p.BacklashYUM))},
		web.Said{Name: "made up for", Value: "in every run, but a calibration’s own"})
	for _, t := range p.Tools {
		says := []web.Said{{Name: "is", Value: toolWords(t, p)}, {Name: "line", Value: size(t.SpotUM)},
			{Name: "switch", Value: fmt.Sprintf("%s, on after %d ms, off after %d ms", t.Switch.Kind, t.Switch.OnDelayMS, t.Switch.OffDelayMS)},
			{Name: "jitter", Value: unless(t.Switch.JitterMS, fmt.Sprintf("%d ms", t.Switch.JitterMS))},
			{Name: "longest time on", Value: unless(t.LongestOnMS, fmt.Sprintf("%s, then %s rest", web.Duration(t.LongestOnMS), web.Duration(t.RestMS)))}}
		if t.Kind == machine.ToolBeam {
			says = append(says, web.Said{Name: "eyewear", Value: unless(t.EyewearODTenths, fmt.Sprintf("OD ≥ %s at %d nm, as the person in charge entered it", tenths(t.EyewearODTenths), t.WavelengthNM))})
		}
		part("Tool "+t.Name, says...)
	}
	if p.HasBeam() {
		cut := "untested: no beam runs"
		if worst, ok := p.CutOff.Worst(); ok {
			cut = fmt.Sprintf("beam off within %d ms", worst)
		}
		part("What keeps the beam in bounds",
			web.Said{Name: "enclosure", Value: p.Enclosure.Kind},
			web.Said{Name: "cut-off", Value: cut}, web.Said{Name: "by", Value: p.CutOff.Means},
			web.Said{Name: "extraction", Value: unless(p.Air.CommissionedPa, fmt.Sprintf("%d Pa as commissioned", p.Air.CommissionedPa))},
			web.Said{Name: "flow", Value: unless(p.Air.MeasuredFlowM3PerH, fmt.Sprintf("%d m³/h measured", p.Air.MeasuredFlowM3PerH))})
	}
	return all
}

// machineForm answers a form of a machine's page: back to the page, or the page again with what is refused.
func (s *Server) machineForm(c echo.Context, id uuid.UUID, err error) error {
	return s.afterForm(c, err, machinePath(id), func(status int, problem *web.Problem) error { return s.sendMachine(c, status, problem) })
}

// lockoutForm is POST /machines/:id/lockout.
func (s *Server) lockoutForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	_, err = s.store.SetLockout(c.Request().Context(), actorIn(c.Request().Context()), id, strings.TrimSpace(c.FormValue("reason")))
	return s.machineForm(c, id, err)
}

// liftForm is POST /machines/:id/lockout/lift.
func (s *Server) liftForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	return s.machineForm(c, id, s.store.LiftLockout(c.Request().Context(), actorIn(c.Request().Context()), id, strings.TrimSpace(c.FormValue("reason"))))
}

// viewForm is POST /machines/:id/view: the machine that stands in one view with this one, or none.
func (s *Server) viewForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	text := c.FormValue("other")
	if text == "" {
		return s.machineForm(c, id, s.store.EndView(ctx, actorIn(ctx), id))
	}
	other, err := uuid.Parse(text)
	if err != nil {
		return s.machineForm(c, id, invalid("other", "that is no machine", "choose one of the list"))
	}
	return s.machineForm(c, id, s.store.NameView(ctx, actorIn(ctx), id, other))
}

// viewOn fills in which machine stands in one view with this one, or which could.
func (s *Server) viewOn(c echo.Context, m db.Machine, v *web.MachinePageView) error {
	ctx := c.Request().Context()
	named, err := s.store.View(ctx, m.ID)
	switch {
	case err != nil || !m.Profile.HasBeam():
		return err
	case named != nil:
		v.InView = fmt.Sprintf("%s, named by %s on %s", named.Name, named.NamedBy, s.local(named.NamedAt).Format("2006-01-02"))
	case v.MayLift:
		all, err := s.store.Machines(ctx)
		if err != nil {
			return err
		}
		for _, other := range all {
			if other.ID != m.ID && other.Profile.HasBeam() {
				v.Others = append(v.Others, web.Choice{Value: other.ID.String(), Label: other.Bay + ", " + other.Name})
			}
		}
	}
	return nil
}

// calibrationRuleForm is POST /machines/:id/calibration-rule.
func (s *Server) calibrationRuleForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	days, errDays := strconv.ParseInt(strings.TrimSpace(c.FormValue("days")), 10, 64)
	hours, errHours := strconv.ParseInt(strings.TrimSpace(c.FormValue("hours")), 10, 64)
	if errDays != nil || errHours != nil {
		return s.machineForm(c, id, invalid("days", "days and hours are whole numbers", "type digits; 0 leaves one out"))
	}
	return s.machineForm(c, id, s.store.SetCalibrationRule(c.Request().Context(), actorIn(c.Request().Context()), id, checklist.CalibrationRule{Days: days, Hours: hours}))
}

// typedMM reads a length in mm as a person types it, with point or comma.
func typedMM(field, text string) (int64, error) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err != nil {
		return 0, invalid(field, fmt.Sprintf("%.20q is no length", text), "type millimetres, such as 120 or 119.97")
	}
	return micrometres(field, v)
}

// stamp is who did something when; nil where nobody did.
func (s *Server) stamp(by string, at *time.Time) *web.Stamp {
	if at == nil {
		return nil
	}
	return &web.Stamp{By: by, At: s.local(*at)}
}
