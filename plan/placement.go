package plan

import (
	"fmt"
	"strings"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// CheckPlacement says why the plan must not lie with its origin at the given point: everything it
// marks has to lie within the sheet, and everywhere the carriage goes for it within the machine's
// travel and its hard stops. All are machine
// coordinates in µm; no reasons means that it fits.
func (p *Plan) CheckPlacement(profile machine.Profile, origin geom.Point, sheet geom.Box) []Reason {
	var reasons []Reason
	check := func(what, next string, box, within geom.Box) {
		if box = box.Move(origin); !box.Inside(within) {
			reasons = append(reasons, Reason{What: what + " " + beyond(box, within), Next: next, Field: "placement", Limit: boxText(within), Value: boxText(box)})
		}
	}
	reach := p.GeometryOn(profile).ToldBox(p.Extents.Union(p.Reach))
	check("the plan reaches beyond the machine's travel", "move the origin", reach, profile.TravelUM)
	check("the plan reaches beyond the machine's hard stops", "move the origin", reach, profile.HardStops)
	check("the plan reaches beyond the sheet", "move the origin or the sheet", p.Extents, sheet)
	return reasons
}

// GeometryOn is what of a machine's geometry the plan's lines make up for; nil where nothing.
func (p *Plan) GeometryOn(profile machine.Profile) *machine.Geometry {
	if p.Uncorrected {
		return nil
	}
	return profile.Geometry
}

// beyond says on which sides a box reaches out of another, and by how much, as somebody says it who
// stands before the machine.
func beyond(box, within geom.Box) string {
	var sides []string
	for _, side := range []struct {
		where string
		by    int64
	}{
		{"on the left", within.Min.X - box.Min.X}, {"on the right", box.Max.X - within.Max.X},
		{"on the near side", within.Min.Y - box.Min.Y}, {"on the far side", box.Max.Y - within.Max.Y},
	} {
		if side.by > 0 {
			sides = append(sides, fmt.Sprintf("by %s mm %s", mm(side.by), side.where))
		}
	}
	return strings.Join(sides, ", ")
}

func boxText(b geom.Box) string {
	return fmt.Sprintf("x %s to %s mm, y %s to %s mm", mm(b.Min.X), mm(b.Max.X), mm(b.Min.Y), mm(b.Max.Y))
}
