package api

import (
	"math"
	"strconv"
	"strings"

	"kerfgate/api/web"
	"kerfgate/plan"
	"kerfgate/plan/engrave"
)

// choiceField is one number that the hand-in page offers. of finds the value, which is in whole µm
// where unit is mm; empty means that nothing was chosen. hint is what the planner then takes.
type choiceField struct {
	name, label, unit, hint string
	of                      func(*plan.Choices) *int64
}

// usualChoices are what everybody may want.
var usualChoices = []choiceField{
	{"columns", "columns of it on the sheet", "", "1", func(c *plan.Choices) *int64 { return &c.Array.Columns }},
	{"rows", "rows of it on the sheet", "", "1", func(c *plan.Choices) *int64 { return &c.Array.Rows }},
	{"gap", "gap between them", "mm", "", func(c *plan.Choices) *int64 { return &c.Array.GapUM }},
}

// moreChoices are the rest, by what they are about.
var moreChoices = []struct {
	name, words string
	fields      []choiceField
}{
	{"Holding tabs", "Short parts of each outline that are left standing, so that a piece does not tip or fall. Choose a number or a distance.", []choiceField{
		{"tabs", "tabs on each outline", "", "none", func(c *plan.Choices) *int64 { return &c.Tabs.Count }},
		{"tab_spacing", "or one at least every", "mm", "", func(c *plan.Choices) *int64 { return &c.Tabs.SpacingUM }},
		{"tab_width", "width of a tab", "mm", "0.5", func(c *plan.Choices) *int64 { return &c.Tabs.WidthUM }},
	}},
	{cutting, "Where a cut runs and how it begins and ends.", []choiceField{
		{"run_in", "run-in beside a closed cut", "mm", "as the switch needs", func(c *plan.Choices) *int64 { return &c.RunInUM }},
		{"overlap", "closing overlap", "mm", "as the switch needs", func(c *plan.Choices) *int64 { return &c.OverlapUM }},
		{"least_bridge", "warn of bridges narrower than", "mm", "the thickness", func(c *plan.Choices) *int64 { return &c.LeastBridgeUM }},
	}},
	{"Order and heat", "The way between lines, and whether neighbours are cut one right after the other.", []choiceField{
		{"spread", "share of the way that may be added to spread heat", "thousandths", "0", func(c *plan.Choices) *int64 { return &c.SpreadPermille }},
		{"effort", "tries for each line to find a shorter way; -1 for none", "", "10", func(c *plan.Choices) *int64 { return &c.Effort }},
		{"seed", "where its random numbers begin", "", "0", func(c *plan.Choices) *int64 { return &c.Seed }},
	}},
	{"The drawing itself", "What the file does not say, or says inexactly.", []choiceField{
		{"unit", "length of one unit of a drawing that names none", "mm", "", func(c *plan.Choices) *int64 { return &c.UnitUM }},
		{"picture_width", "width of a drawing that is a picture", "mm", "as it says", func(c *plan.Choices) *int64 { return &c.PictureWidthUM }},
		{"line_pitch", "from line to line of what is engraved", "mm", "as wide as the tool's line", func(c *plan.Choices) *int64 { return &c.LinePitchUM }},
		{"join", "ends nearer than this are one point", "mm", "0.01", func(c *plan.Choices) *int64 { return &c.JoinUM }},
	}},
}

const cutting = "Cutting"

// asDrawn is what the field kerf says when cut lines stay where they are drawn.
const asDrawn = "as-drawn"

// setChoice takes one field of the form; what cannot be read is a value that the planner refuses.
func setChoice(c *plan.Choices, name, value string) {
	if name == "kerf" {
		c.NoKerf = value == asDrawn
		return
	}
	if letter, ok := strings.CutPrefix(name, "halftone_"); ok {
		if value != "" && len(c.Halftones) < maxGroups {
			if c.Halftones == nil {
				c.Halftones = map[string]engrave.Halftone{}
			}
			c.Halftones[letter] = engrave.Halftone(value)
		}
		return
	}
	for _, f := range usualChoices {
		f.set(c, name, value)
	}
	for _, set := range moreChoices {
		for _, f := range set.fields {
			f.set(c, name, value)
		}
	}
}

// set takes the field's value where it is the field's.
func (f choiceField) set(c *plan.Choices, name, value string) {
	value = strings.TrimSpace(value)
	if f.name != name || value == "" {
		return
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(value, ",", "."), 64)
	if err != nil || math.IsNaN(v) {
		v = -1e12 // out of every range
	}
	if f.unit == "mm" {
		*f.of(c) = chosenUM(&v)
	} else {
		*f.of(c) = int64(min(1e12, max(-1e12, v)))
	}
}

// show gives the field as it was chosen.
func (f choiceField) show(c *plan.Choices) web.NumberChoice {
	out := web.NumberChoice{Name: f.name, Label: f.label, Unit: f.unit, Hint: f.hint}
	if v := *f.of(c); v != 0 {
		out.Value = strconv.FormatInt(v, 10)
		if f.unit == "mm" {
			out.Value = strconv.FormatFloat(mm(v), 'f', -1, 64)
		}
	}
	return out
}

// showChoices fills the page with what was chosen.
func showChoices(v *web.HandInView, c plan.Choices) {
	for _, f := range usualChoices {
		v.Usual = append(v.Usual, f.show(&c))
	}
	v.AsDrawn = c.NoKerf
	for _, set := range moreChoices {
		s := web.ChoiceSet{Name: set.name, Words: set.words, Kerf: set.name == cutting}
		s.Open = s.Kerf && c.NoKerf
		for _, f := range set.fields {
			shown := f.show(&c)
			s.Open = s.Open || shown.Value != ""
			s.Fields = append(s.Fields, shown)
		}
		v.MoreOpen = v.MoreOpen || s.Open
		v.More = append(v.More, s)
	}
}

// halftoneChoice offers a group of pictures the kinds of dots.
func halftoneChoice(letter string, c plan.Choices) web.HalftoneChoice {
	return web.HalftoneChoice{Letter: letter, Chosen: string(c.Halftones[letter]), Kinds: []string{string(engrave.Ordered), string(engrave.Threshold)}}
}
