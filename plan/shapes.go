package plan

import "kerfgate/plan/drawing"

// grouping is which group each shape and picture of a drawing belongs to.
type grouping struct {
	groups   []Group
	shapes   []int
	pictures []int
}

// groupsOf finds the drawing's own groups: what shares a layer and a line colour, in order of
// appearance; then, by layer, the pictures.
func groupsOf(d *drawing.Drawing) grouping {
	type key struct {
		layer, colour string
		picture       bool
	}
	seen := map[key]int{}
	var g grouping
	find := func(k key) int {
		i, ok := seen[k]
		if !ok {
			i = len(g.groups)
			seen[k] = i
			g.groups = append(g.groups, Group{Letter: GroupLetter(i), Layer: k.layer, Colour: k.colour})
		}
		return i
	}
	for _, s := range d.Shapes {
		i := find(key{s.Layer, s.Stroke, false})
		g.groups[i].Shapes++
		g.shapes = append(g.shapes, i)
	}
	for _, p := range d.Pictures {
		i := find(key{p.Layer, "none", true})
		g.groups[i].Pictures++
		g.pictures = append(g.pictures, i)
	}
	return g
}

// GroupLetter is A, B, … Z, AA, AB, … for 0, 1, …
func GroupLetter(i int) string {
	text := ""
	for i++; i > 0; i = (i - 1) / 26 {
		text = string(rune('A'+(i-1)%26)) + text
	}
	return text
}

// tolerance is how far a flattened curve may lie from the true one, in µm: no more than one count
// of the drive, and 20 µm at most.
func tolerance(smallestStepUM int64) int64 { return max(1, min(20, smallestStepUM)) }
