package api

import (
	"math"
	"strconv"
	"strings"

	"kerfgate/api/web"
	"kerfgate/plan"
)

// moreChoices are what the hand-in page offers besides operations. of finds the value, which is in
// whole µm where unit is mm; empty means that nothing was chosen.
var moreChoices = []struct {
	name, label, unit string
	of                func(*plan.Choices) *int64
}{
	{"columns", "columns of it on the sheet", "", func(c *plan.Choices) *int64 { return &c.Array.Columns }},
	{"rows", "rows of it on the sheet", "", func(c *plan.Choices) *int64 { return &c.Array.Rows }},
	{"gap", "gap between them", "mm", func(c *plan.Choices) *int64 { return &c.Array.GapUM }},
	{"tabs", "holding tabs on each outline", "", func(c *plan.Choices) *int64 { return &c.Tabs.Count }},
	{"tab_width", "width of a tab", "mm", func(c *plan.Choices) *int64 { return &c.Tabs.WidthUM }},
	{"run_in", "run-in beside a closed cut", "mm", func(c *plan.Choices) *int64 { return &c.RunInUM }},
	{"overlap", "closing overlap", "mm", func(c *plan.Choices) *int64 { return &c.OverlapUM }},
	{"picture_width", "width of a drawing that is a picture", "mm", func(c *plan.Choices) *int64 { return &c.PictureWidthUM }},
	{"unit", "length of one unit of a drawing that names none", "mm", func(c *plan.Choices) *int64 { return &c.UnitUM }},
}

// asDrawn is what the field kerf says when cut lines stay where they are drawn.
const asDrawn = "as-drawn"

// setChoice takes one field of the form; what cannot be read is a value that the planner refuses.
func setChoice(c *plan.Choices, name, value string) {
	if name == "kerf" {
		c.NoKerf = value == asDrawn
		return
	}
	for _, m := range moreChoices {
		if m.name != name {
			continue
		}
		value = strings.TrimSpace(value)
		if value == "" {
			return
		}
		v, err := strconv.ParseFloat(strings.ReplaceAll(value, ",", "."), 64)
		if err != nil || math.IsNaN(v) {
			v = -1
		}
		if m.unit == "mm" {
			*m.of(c) = chosenUM(&v)
		} else {
			*m.of(c) = int64(min(1e12, max(-1e12, v)))
		}
	}
}

// choiceFields shows what was chosen.
func choiceFields(c plan.Choices) (fields []web.NumberChoice, open bool) {
	for _, m := range moreChoices {
		f := web.NumberChoice{Name: m.name, Label: m.label, Unit: m.unit}
		if v := *m.of(&c); v != 0 {
			open = true
			f.Value = strconv.FormatInt(v, 10)
			if m.unit == "mm" {
				f.Value = strconv.FormatFloat(mm(v), 'f', -1, 64)
			}
		}
		fields = append(fields, f)
	}
	return fields, open || c.NoKerf
}
