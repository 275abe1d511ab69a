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
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/machine"
)

func beamSheetPath(machine uuid.UUID) string { return "/machines/" + machine.String() + "/beam-sheet" }

// beamSheetPage is GET /machines/:id/beam-sheet: what a doctor asks of a machine's beams, printed in advance.
func (s *Server) beamSheetPage(c echo.Context) error { return s.sendBeamSheet(c, http.StatusOK, nil) }

func (s *Server) sendBeamSheet(c echo.Context, status int, problem *web.Problem) error {
	ctx := c.Request().Context()
	m, err := named(c, s.store.Machine)
	if err != nil {
		return err
	}
	room, err := s.store.MachineRoom(ctx, m.ID)
	if err != nil {
		return err
	}
	v := web.BeamSheetView{Shell: s.shell(c, "Beam data sheet", "/stations"), Machine: machineView(m), Profile: m.ProfileDigest.Short()}
	v.Problem = problem
	for _, t := range m.Profile.Tools {
		if t.Kind == machine.ToolBeam {
			v.Beams = append(v.Beams, beamSheet(m.Profile, t))
		}
	}
	v.Room, v.FreshAir = numberOrEmpty(room.M3), numberOrEmpty(room.FreshM3PerH)
	v.Clearing = clearing(room)
	if who, in := personOf(c); in {
		operates, err := s.isOperator(ctx, who)
		if err != nil {
			return err
		}
		v.MayMeasure = operates || who.Person.Role.Officer()
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderBeamSheet(w, v) })
}

func numberOrEmpty(n int64) string {
	if n == 0 {
		return ""
	}
	return strconv.FormatInt(n, 10)
}

// beamSheet tells one beam: what the profile says of it, and what is computed for eyes.
func beamSheet(p machine.Profile, t machine.Tool) web.BeamRow {
	row := web.BeamRow{Tool: t.Name}
	say := func(name, unit string, known bool, value string) {
		if !known {
			value, unit = "not known here: ask who built the machine", ""
		}
		row.Facts = append(row.Facts, web.Fact{Name: name, Said: strings.TrimSpace(value + " " + unit)})
	}
	say("wavelength", "nm", t.WavelengthNM > 0, strconv.FormatInt(t.WavelengthNM, 10))
	say("power, at most", "W", t.PowerMW > 0, web.Millimetres(t.PowerMW))
	say("kind", "", true, "taken as a continuous wave, switched on and off; the source’s own data sheet says whether it pulses")
	say("width of the beam at the exit", "mm", t.BeamUM > 0, web.Millimetres(t.BeamUM))
	say("divergence", "mrad", t.DivergenceURad > 0, web.Millimetres(t.DivergenceURad))
	say("spot on the work", "mm", t.SpotUM > 0, web.Millimetres(t.SpotUM))
	say("visible", "", t.WavelengthNM > 0, visible(t.WavelengthNM))
	say("enclosure", "", true, string(p.Enclosure.Kind))
	row.Computed = numberViews(checklist.BeamNumbers(p, t))
	return row
}

// visible says what an eye sees of a wavelength: 400 to 700 nm, as ICNIRP 2013 bounds the retinal hazard's visible
// part.
func visible(nm int64) string {
	if nm >= 400 && nm <= 700 {
		return "yes; nobody blinks in time all the same"
	}
	return "no: an eye feels nothing while it is hurt"
}

// clearing is how long the room takes to clear after smoke.
func clearing(r db.Room) web.ComputedView {
	n := checklist.RoomClearing(float64(r.M3), float64(r.FreshM3PerH))
	if n.Value != nil {
		n.Shown = fmt.Sprintf("%d min", int64(math.Ceil(*n.Value/60))) // nobody counts such a time in seconds
	}
	return numberViews([]checklist.Number{n})[0]
}

// roomForm is POST /machines/:id/room.
func (s *Server) roomForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	var r db.Room
	for name, to := range map[string]*int64{"room_m3": &r.M3, "fresh_m3_per_h": &r.FreshM3PerH} {
		said := strings.TrimSpace(c.FormValue(name))
		if said == "" {
			continue // nobody knows
		}
		if *to, err = strconv.ParseInt(said, 10, 64); err != nil {
			err = invalid(name, fmt.Sprintf("%q is no whole number", said), "give whole cubic metres, and cubic metres an hour")
			break
		}
	}
	if err == nil {
		err = s.store.MeasureRoom(ctx, actorIn(ctx), id, r)
	}
	return s.afterForm(c, err, beamSheetPath(id), func(status int, problem *web.Problem) error { return s.sendBeamSheet(c, status, problem) })
}
