package plan

import (
	"errors"
	"fmt"
	"slices"

	"kerfgate/plan/hazard"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// mostPasses bounds how often one line may be repeated.
const mostPasses = 50

// checkSetup finds everything that is wrong before the drawing is looked at.
func (m *maker) checkSetup() {
	m.reasons = append(m.reasons, m.req.Choices.reasons()...)
	m.checkProfile()
	tool, ok := m.req.Profile.Tool(m.req.Tool)
	if !ok {
		m.refuse(Reason{What: fmt.Sprintf("the machine has no tool %.40q", m.req.Tool), Next: "choose one of the machine's tools",
			Field: "tool", Value: m.req.Tool})
	}
	m.tool = tool
	switch {
	case !ok:
	case tool.Kind == machine.ToolBeam:
		m.checkBeam()
	case tool.Kind != machine.ToolPen:
		m.refuse(Reason{What: fmt.Sprintf("the tool's kind %.40q is not known", tool.Kind), Next: "correct the profile", Field: "profile"})
	}
	if s := m.req.Stock; s.SheetWidthUM <= 0 || s.SheetHeightUM <= 0 {
		m.refuse(Reason{What: "the stock has no sheet size", Next: "enter width and height of its sheets", Field: "stock"})
	}
}

func (m *maker) checkProfile() {
	p := m.req.Profile
	for _, field := range []struct {
		name  string
		value int64
	}{
		{"smallest_step_um", p.SmallestStepUM}, {"travel_speed_um_per_s", p.TravelSpeedUMPerS},
		{"work_speed_um_per_s", p.WorkSpeedUMPerS}, {"accel_x_um_per_s2", p.AccelXUMPerS2},
		{"accel_y_um_per_s2", p.AccelYUMPerS2}, {"travel width", p.TravelUM.Width()}, {"travel height", p.TravelUM.Height()},
	} {
		if field.value <= 0 {
			m.refuse(Reason{What: "the machine's profile lacks " + field.name, Next: "measure it and publish a new profile",
				Field: "profile", Limit: "more than 0", Value: fmt.Sprint(field.value)})
		}
	}
	if p.CornerToleranceUM < 0 {
		m.refuse(Reason{What: "the machine's corner tolerance is negative", Next: "correct the profile", Field: "profile",
			Limit: "0 or more", Value: fmt.Sprint(p.CornerToleranceUM)})
	}
	if !p.TravelUM.Inside(p.HardStops) {
		m.refuse(Reason{What: "the machine's travel reaches beyond its hard stops", Next: "correct the profile", Field: "profile"})
	}
}

// checkBeam finds what forbids a beam whatever the drawing is.
func (m *maker) checkBeam() {
	if m.tool.PowerMW <= 0 {
		m.refuse(Reason{What: "the beam's power is not known", Next: "enter it in the machine's profile", Field: "profile"})
	}
	switch s := m.tool.Switch; s.Kind {
	case machine.SwitchHold, machine.SwitchLevel:
	case machine.SwitchToggle:
		if !s.HasSensor {
			m.refuse(Reason{What: "the beam is switched by a toggle without a sensor: nobody can know whether it is on",
				Next: "fit a sensor that sees the beam's supply, or another switch", Field: "profile"})
		}
	default:
		m.refuse(Reason{What: fmt.Sprintf("the beam's switch kind %.40q is not known", s.Kind), Next: "correct the profile", Field: "profile"})
	}
	mat := m.req.Material
	for _, r := range append(mat.Refusals(), m.req.Stock.Refusals()...) {
		m.refuse(Reason{What: r.What, Next: r.Next, Field: "material", Value: string(mat.Verdict)})
	}
	switch e := m.req.Profile.Enclosure; e.Kind {
	case machine.EnclosureOpen:
		m.purge = hazard.PurgeFloor(mat)
	case machine.EnclosureLidded:
		purge, err := hazard.PurgeOf(e.VolumeL, m.req.Profile.Air.OutsideM3PerH(), m.req.Profile.Air.MixingFactor, mat)
		m.purge = purge
		switch {
		case errors.Is(err, hazard.ErrPurgeLong):
			m.refuse(Reason{What: err.Error(), Next: "mend the extraction and measure its flow again, or ask the safety officer",
				Field: "profile", Limit: fmt.Sprintf("%d s", hazard.PurgeCapS)})
		case err != nil:
			m.refuse(Reason{What: "the purge time cannot be computed: " + err.Error(),
				Next: "measure the exhaust flow and publish a new profile", Field: "profile"})
		}
	default:
		m.refuse(Reason{What: fmt.Sprintf("the enclosure's kind %.40q is not known", e.Kind), Next: "correct the profile", Field: "profile"})
	}
}

func named(name string) string {
	if name == "" {
		return "a material without a name"
	}
	return name
}

// assign gives every group its operation and finds the settings of those that occur.
func (m *maker) assign(groups []Group) {
	m.ops = make(map[int]Operation, len(groups))
	m.settings = map[Operation]material.Setting{}
	known := make(map[string]bool, len(groups))
	used := map[Operation]bool{}
	for i, g := range groups {
		known[g.Letter] = true
		op, ok := m.req.Operations[g.Letter]
		if !ok {
			op = m.req.Default
		}
		m.ops[i] = op
		if g.Pictures > 0 && m.picture(i, g, op, ok) {
			used[Engrave] = used[Engrave] || m.ops[i] == Engrave
			continue
		}
		if !slices.Contains(runningOrder, op) {
			what := fmt.Sprintf("the operation %.40q is not known", string(op))
			if op == "" {
				what = fmt.Sprintf("group %s has no operation", g.Letter)
			}
			m.refuse(Reason{What: what, Next: "choose cut, mark, engrave or draw", Field: "operations." + g.Letter, Value: string(op)})
			continue
		}
		used[op] = true
	}
	for _, name := range sortedKeys(m.req.Operations) {
		if !known[name] {
			m.refuse(Reason{What: fmt.Sprintf("the drawing has no group %.20q", name), Next: "assign operations to its own groups only",
				Field: "operations", Limit: letters(len(groups)), Value: name})
		}
	}
	if len(m.req.Choices.Trial) > 0 {
		m.tried(groups)
		return
	}
	for _, op := range runningOrder {
		if used[op] {
			m.setting(op)
		}
	}
}

// letters names the groups of a drawing that has so many.
func letters(groups int) string {
	if groups < 2 {
		return GroupLetter(0)
	}
	return GroupLetter(0) + " to " + GroupLetter(groups-1)
}

// picture decides about a group of pictures; true where it is settled. A picture can only be engraved:
// where nobody chose it is, if there is a setting, and is left out with a warning if there is none.
func (m *maker) picture(i int, g Group, op Operation, chosen bool) bool {
	proven := slices.ContainsFunc(m.req.Settings, func(s material.Setting) bool { return s.Operation == string(Engrave) })
	switch {
	case op == Engrave:
		return false
	case chosen:
		m.refuse(Reason{What: fmt.Sprintf("group %s is a picture, which can only be engraved", g.Letter), Next: "choose engrave, or draw its outlines",
			Field: "operations." + g.Letter, Value: string(op)})
	case proven:
		m.ops[i] = Engrave
	default:
		m.warn(fmt.Sprintf("pictures are left out, since there is no proven setting to engrave: %d", g.Pictures), "group "+g.Letter,
			"have a settings trial made, or draw their outlines")
	}
	return true
}

func sortedKeys(operations map[string]Operation) []string {
	keys := make([]string, 0, len(operations))
	for k := range operations {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// setting finds and checks the setting of one operation.
func (m *maker) setting(op Operation) {
	i := slices.IndexFunc(m.req.Settings, func(s material.Setting) bool { return s.Operation == string(op) })
	if i < 0 {
		m.refuse(Reason{What: fmt.Sprintf("there is no proven setting to %s this material on this machine", op),
			Next: "choose another operation, or have a settings trial made", Field: "settings", Value: string(op)})
		return
	}
	m.settings[op] = m.checked(op, m.req.Settings[i])
}

// checked is a setting, once what the machine cannot do of it is refused.
func (m *maker) checked(op Operation, s material.Setting) material.Setting {
	bad := func(what, next, limit string, value int64) {
		m.refuse(Reason{What: fmt.Sprintf("%s: %s", op, what), Next: next, Field: "settings", Limit: limit, Value: fmt.Sprint(value)})
	}
	if s.SpeedUMPerS <= 0 {
		bad("the setting has no speed", "enter one", "more than 0", s.SpeedUMPerS)
	} else if most := m.req.Profile.WorkSpeedUMPerS; s.SpeedUMPerS > most {
		bad("the speed is over the machine's greatest", "take a slower setting", fmt.Sprintf("%d µm/s", most), s.SpeedUMPerS)
	}
	if s.PowerPermille < 1 || s.PowerPermille > 1000 {
		bad("the power is out of range", "enter thousandths of full power", "1 to 1000", s.PowerPermille)
	} else if m.tool.Kind == machine.ToolBeam && s.PowerPermille != 1000 && !m.tool.Switch.Levels {
		bad("the beam knows no power between off and full", "work faster instead of weaker", "1000", s.PowerPermille)
	}
	if s.Passes < 1 || s.Passes > mostPasses {
		bad("the number of passes is out of range", "enter how often each line is repeated", fmt.Sprintf("1 to %d", mostPasses), s.Passes)
	}
	if m.tool.Kind == machine.ToolPen && op == Cut {
		m.refuse(Reason{What: "a pen does not cut", Next: "assign draw or mark, or take a beam", Field: "operations", Value: string(op)})
	}
	if m.tool.Kind == machine.ToolBeam && m.req.Material.Verdict == material.WithCare && s.Evidence == "" && !m.req.Choices.Unproven() {
		m.refuse(Reason{What: fmt.Sprintf("%s is to be worked with care, and the setting to %s names no run that proved it", named(m.req.Material.Name), op),
			Next: "have a settings trial made first", Field: "settings", Value: string(op)})
	}
	m.fitsMaterial(op, s)
	return s
}
