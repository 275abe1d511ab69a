package dxf

import (
	"fmt"
	"strings"

	"kerfgate/plan/drawing"
)

// insert is what an INSERT says: which block, and where its copies lie.
type insert struct {
	key           string // the block's name in upper case
	name          string
	to            affine // of the first copy, without the block's base point
	column, row   vec3   // from copy to copy
	columns, rows int
}

// insertOf reads an INSERT. A block is moved by its base point, stretched, turned and moved to the insert's
// point, all in the plane that the insert faces; columns and rows are counted along the turned axes.
func (r *reader) insertOf(i *item, e *record) *insert {
	out := &insert{name: r.header.text(e.name), columns: max(1, e.flags(70)), rows: max(1, e.flags(71))}
	out.key = strings.ToUpper(out.name)
	plane, ok := facing(e.normal())
	if !ok {
		i.remark("draw it again", "the direction that %s faces is no direction; it is taken as lying flat", i.kind)
	}
	turned := turnedDeg(e.get(50, 0))
	out.to = plane.then(moved(e.at(10))).then(turned).then(scaled(e.get(41, 1), e.get(42, 1), e.get(43, 1)))
	out.column = plane.then(turned).turn(vec3{x: e.get(44, 0)})
	out.row = plane.then(turned).turn(vec3{y: e.get(45, 0)})
	return out
}

// surround is what an entity takes over from the inserts around it.
type surround struct {
	to      affine
	layer   *layer // of the insert, for what lies on layer 0 of the block; nil outside of blocks
	colour  string // for what is coloured by block
	pattern string // for what has its line type by block
	depth   int
}

func top() surround { return surround{to: world, colour: indexColours[foreground]} }

// copies draws the copies of a block.
func (r *reader) copies(i *item, at surround, inside surround) error {
	in := i.insert
	b := r.blocks[in.key]
	switch {
	case b == nil:
		r.notice(i.place(), "restore the block or delete the insert", fmt.Sprintf("an insert refers to the block %q, which does not exist", in.name))
		return nil
	case b.foreign && len(b.items) == 0:
		r.notice(i.place(), "bind the other drawing into this one", fmt.Sprintf("the block %q lies in another file and is left out", in.name))
		return nil
	case r.active[b]:
		return &drawing.Refusal{
			What: fmt.Sprintf("the block %q holds itself", in.name), Next: "break the circle of inserts", Place: i.place(),
		}
	case at.depth >= r.limits.Depth:
		return &drawing.Refusal{What: "inserts are nested too deeply", Next: "divide the blocks into their parts",
			Limit: fmt.Sprint(r.limits.Depth), Value: "more", Place: i.place()}
	}
	r.active[b] = true
	defer delete(r.active, b)
	inside.depth = at.depth + 1
	origin := moved(b.base.times(-1))
	for row := range in.rows {
		for column := range in.columns {
			if err := r.expand(i); err != nil { // an empty block's copies count as well
				return err
			}
			shift := in.column.times(float64(column)).plus(float64(row), in.row)
			inside.to = at.to.then(moved(shift)).then(in.to).then(origin)
			for _, part := range b.items {
				if err := r.expand(part); err != nil {
					return err
				}
				if err := r.draw(part, inside); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// expand counts one element that is drawn by way of an insert.
func (r *reader) expand(i *item) error {
	r.expanded++
	if r.expanded > r.limits.Expansion {
		return &drawing.Refusal{
			What: "inserts multiply the drawing too far", Next: "draw fewer copies by insert",
			Limit: fmt.Sprintf("%d elements", r.limits.Expansion), Value: "more", Place: i.place(),
		}
	}
	return nil
}
