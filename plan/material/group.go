package material

import "slices"

// Group says what kind of sheet a material is, as far as training goes: who learned to cut wood has not
// learned what a plastic does. Nothing else is read from it; what may go in a beam the composition says.
type Group string

// groups are all of them, in the order in which they are offered: common practice, no source.
var groups = []Group{"wood and board", "paper and card", "textile and felt", "leather", "plastic", "rubber and foam", "resin and fibre", "glass and stone", "metal"}

// Groups lists all groups.
func Groups() []Group { return slices.Clone(groups) }

// Known says whether there is such a group.
func (g Group) Known() bool { return slices.Contains(groups, g) }

// Group is that of the list's row that the material is judged by; without a row that of its constituents where
// those that tell a group agree; empty where nothing tells it.
func (m Material) Group() Group {
	if row, ok := ListedAs(m.Listed); ok && row.Group != "" {
		return row.Group
	}
	var found Group
	for _, c := range m.Composition {
		s, ok := substanceOf(c.Name)
		switch {
		case !ok || s.Group == "":
		case found == "":
			found = s.Group
		case found != s.Group:
			return ""
		}
	}
	return found
}
