package dxf

import (
	"strings"
)

// block is a group of entities that INSERT draws.
type block struct {
	name    string
	base    vec3 // the point that comes to lie on the insert's
	items   []*item
	foreign bool // its entities are in another file
}

// Flags of a BLOCK, group 70.
const blockForeign = 4 | 8 | 32

// readBlocks reads the definitions of one BLOCKS section.
func (r *reader) readBlocks() error {
	var open *block
	return r.eachItem(func(i *item) error {
		switch i.kind {
		case "BLOCK":
			open = &block{name: r.header.text(r.record.name), base: r.record.at(10), foreign: r.record.flags(70)&blockForeign != 0}
			key := strings.ToUpper(open.name)
			switch {
			case key == "":
			case r.blocks[key] != nil:
				r.notice(i.place(), "nothing to do if the drawing looks right", "a block is defined twice; the first definition counts")
			default:
				r.blocks[key] = open
			}
		case "ENDBLK":
			open = nil
		default:
			switch {
			case open == nil:
				r.notice(i.place(), "nothing to do if the drawing looks right", "an element between the blocks is not read")
			case strings.HasPrefix(strings.ToUpper(open.name), "*PAPER_SPACE"):
				r.leaveOut(i, "in paper space")
			case strings.EqualFold(open.name, "*MODEL_SPACE"):
				// The same as the ENTITIES section; a writer that puts entities here puts none there.
				return r.draw(i, top())
			default:
				open.items = append(open.items, i)
			}
		}
		return nil
	})
}
