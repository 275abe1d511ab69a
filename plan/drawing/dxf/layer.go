package dxf

import (
	"strings"
)

// layer is what its table entry says.
type layer struct {
	name    string
	hidden  string // why nothing of it is taken: "off", "frozen", "not plotted"; empty if it is taken
	colour  string // #rrggbb
	pattern string // line type in upper case
}

// aids is the layer of reference points; by the format's custom it is never plotted.
const aids = "DEFPOINTS"

// readTables reads the line types and layers of one TABLES section.
func (r *reader) readTables() error {
	return r.eachRecord(func(e *record) error {
		switch e.kind {
		case "LTYPE":
			r.patterns[strings.ToUpper(r.header.text(e.name))] = e.get(73, 0) > 0
		case "LAYER":
			r.addLayer(e)
		default:
			return nil
		}
		r.elements++
		if r.elements > r.limits.Elements {
			return r.tooManyElements(e.place())
		}
		return nil
	})
}

// eachRecord calls take for every record up to the section's end. A record that the end of the file
// cuts off is named and left out.
func (r *reader) eachRecord(take func(*record) error) error {
	for {
		g, ok, err := r.scan.next()
		if err != nil || !ok {
			return err
		}
		if g.is("ENDSEC") || g.is("SECTION") {
			r.scan.unread()
			return nil
		}
		if g.code != 0 {
			continue
		}
		e, complete, err := r.readRecord(g)
		if err != nil {
			return err
		}
		if !complete {
			r.notice(e.place(), "save the drawing again", "the file is cut off here; the element at its end is left out")
			return nil
		}
		if err := take(e); err != nil {
			return err
		}
	}
}

func (r *reader) addLayer(e *record) {
	l := &layer{name: r.header.text(e.name), pattern: r.patternName(e.pattern)}
	key := strings.ToUpper(l.name)
	if r.layers[key] != nil {
		r.notice(e.place(), "nothing to do if the drawing looks right", "a layer is defined twice; the first definition counts")
		return
	}
	switch {
	case e.flags(70)&1 != 0:
		l.hidden = "frozen"
	case e.paint.index < 0:
		l.hidden = "off"
	case e.get(290, 1) == 0 || key == aids:
		l.hidden = "not plotted"
	}
	e.paint.index = max(e.paint.index, -e.paint.index)
	l.colour = e.paint.over(indexColours[foreground], indexColours[foreground])
	r.layers[key] = l
}

// layerOf finds a layer by its name in the file; one without an entry is taken and black.
func (r *reader) layerOf(raw []byte) *layer {
	if raw == nil {
		raw = []byte("0")
	}
	if l := r.raw[string(raw)]; l != nil {
		return l
	}
	name := r.header.text(raw)
	key := strings.ToUpper(name)
	l := r.layers[key]
	if l == nil {
		l = &layer{name: name, colour: indexColours[foreground]}
		if key == aids {
			l.hidden = "not plotted"
		}
		r.layers[key] = l
		if !r.header.readsCodePage() && !ascii(raw) {
			r.notice("layer", "nothing to do: names tell groups apart and mean nothing else",
				"the code page "+r.header.text([]byte(r.header.codePage))+" is not read; names show replacement characters")
		}
	}
	r.raw[string(raw)] = l
	return l
}

// patternName is a line type's name; "" is that of the layer.
func (r *reader) patternName(raw []byte) string {
	if name := strings.ToUpper(r.header.text(raw)); name != "BYLAYER" {
		return name
	}
	return ""
}

// gaps says whether a line type has any. One without an entry is held to be dashed, except for the
// name that stands for the plain line.
func (r *reader) gaps(name string) bool {
	has, known := r.patterns[name]
	return name != "" && name != "CONTINUOUS" && name != "BYBLOCK" && (has || !known)
}
