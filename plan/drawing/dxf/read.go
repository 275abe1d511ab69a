package dxf

import (
	"bytes"
	"fmt"

	"kerfgate/plan/drawing"
)

// Choices are what a person answers where the file says nothing.
type Choices struct {
	UnitMM float64 // millimetres per drawing unit; 0 means as the file says
}

// binaryMark begins the binary form of the format: 22 bytes.
const binaryMark = "AutoCAD Binary DXF\r\n\x1a\x00"

// Read turns an ASCII DXF file, R12 to 2018, into shapes. Errors are *drawing.Refusal; one whose Asks is
// "unit" wants Choices.UnitMM and has the drawing's size in the likely units in its Next. The same
// bytes, choices and limits always give the same drawing.
func Read(data []byte, choices Choices, limits drawing.Limits) (*drawing.Drawing, error) {
	limits = limits.WithDefaults()
	if err := inspect(data, limits); err != nil {
		return nil, err
	}
	r := &reader{
		scan: newScanner(data), limits: limits, notices: map[string]int{}, kinds: map[string]string{},
		layers: map[string]*layer{}, raw: map[string]*layer{}, patterns: map[string]bool{}, blocks: map[string]*block{},
		active: map[*block]bool{},
	}
	sections, err := r.index()
	if err != nil {
		return nil, err
	}
	// Definitions first, wherever they stand.
	for _, step := range []struct {
		name string
		read func() error
	}{{"HEADER", r.readHeader}, {"TABLES", r.readTables}, {"BLOCKS", r.readBlocks}, {"ENTITIES", r.readEntities}} {
		for _, s := range sections {
			if s.name != step.name {
				continue
			}
			r.scan.seek(s.spot)
			if err := step.read(); err != nil {
				return nil, err
			}
		}
	}
	r.noteClips()
	if err := r.lay(choices); err != nil {
		return nil, err
	}
	return &r.drawing, nil
}

// inspect refuses what is no ASCII DXF file at all.
func inspect(data []byte, limits drawing.Limits) error {
	refuse := func(what, next string) error { return &drawing.Refusal{What: what, Next: next} }
	head := bytes.TrimPrefix(data[:min(len(data), 4096)], []byte("\ufeff"))
	switch {
	case len(data) > limits.Bytes:
		return &drawing.Refusal{
			What: "the drawing is too large", Next: "simplify it or divide it into several drawings",
			Limit: fmt.Sprintf("%d bytes", limits.Bytes), Value: fmt.Sprintf("%d bytes", len(data)),
		}
	case len(bytes.TrimSpace(head)) == 0:
		return refuse("the drawing is empty", "save it again as DXF and hand that file in")
	case bytes.HasPrefix(data, []byte(binaryMark)):
		return refuse("the file is a binary DXF file, which is not read", "save it again as ASCII DXF (R12 to 2018)")
	case bytes.HasPrefix(data, []byte("AC10")) || bytes.HasPrefix(data, []byte("AC1.")) || bytes.HasPrefix(data, []byte("AC2.")):
		return refuse("the file is a DWG file, not DXF", "save it again as ASCII DXF (R12 to 2018)")
	case bytes.IndexByte(head, 0) >= 0:
		return refuse("the file is not text", "save the drawing again as ASCII DXF (R12 to 2018)")
	}
	g, ok, err := newScanner(data).next()
	if err != nil || !ok || !g.is("SECTION") {
		return refuse("the file is not DXF: it does not begin with a section", "hand in a DXF file")
	}
	return nil
}

// reader collects shapes, in drawing units until lay puts them on the page.
type reader struct {
	scan     *scanner
	limits   drawing.Limits
	header   header
	drawing  drawing.Drawing
	notices  map[string]int    // what → index in drawing.Notices
	kinds    map[string]string // kinds of entities met, one string each
	layers   map[string]*layer // by name in upper case
	raw      map[string]*layer // by name as it stands in the file
	patterns map[string]bool   // line type in upper case → has gaps
	blocks   map[string]*block // by name in upper case
	active   map[*block]bool   // being inserted
	record   record            // the one last read
	clips    clips

	elements int // in the file
	expanded int // drawn by way of inserts
	built    int // points of the entities, of blocks too
	points   int // of the shapes
	box      box
}

// section is a part of the file.
type section struct {
	name string
	spot spot // behind its name
}

// index finds the sections and holds the whole file to the form of groups.
func (r *reader) index() ([]section, error) {
	var out []section
	inside := false
	for {
		g, ok, err := r.scan.next()
		if err != nil {
			return nil, err
		}
		if !ok {
			break
		}
		r.clips.group(g, r.limits.Elements)
		switch {
		case g.is("SECTION"):
			inside = true
			name, ok, err := r.scan.next()
			if err != nil {
				return nil, err
			}
			if !ok {
				break
			}
			if name.code != 2 {
				r.scan.unread()
				r.note("SECTION", g.line, "save the drawing again", "a section without a name is not read")
				continue
			}
			out = append(out, section{r.kindOf(name.value), r.scan.spot})
			if len(out) > r.limits.Elements {
				return nil, r.tooManyElements(fmt.Sprintf("line %d", g.line))
			}
		case g.is("ENDSEC"):
			inside = false
		case !inside:
			r.note("group "+fmt.Sprint(g.code), g.line, "save the drawing again", "what stands outside the file's sections is not read")
		}
	}
	r.clips.end(r.limits.Elements)
	r.clips.settle()
	if !r.scan.ended {
		r.note("end of the file", r.scan.spot.line, "if a part of the drawing is missing, save it again",
			"the file ends without its end mark (EOF)")
	}
	return out, nil
}

// note counts something of the file that becomes no shape.
func (r *reader) note(subject string, line int, next, what string) {
	r.notice(fmt.Sprintf("%s, line %d", subject, line), next, what)
}

// mostNotices bounds the different things that are named, since names of layers and blocks enter.
const mostNotices = 200

// notice counts one thing that is not drawn as it stands; its first place is kept.
func (r *reader) notice(place, next, what string) {
	i, ok := r.notices[what]
	if !ok && len(r.drawing.Notices) >= mostNotices {
		what, next = "more kinds of things are not read as they stand", "read the notices above first"
		i, ok = r.notices[what]
	}
	if ok {
		r.drawing.Notices[i].Count++
		return
	}
	r.notices[what] = len(r.drawing.Notices)
	r.drawing.Notices = append(r.drawing.Notices, drawing.Notice{What: what, Place: place, Next: next, Count: 1})
}

func (r *reader) tooManyElements(place string) error {
	return &drawing.Refusal{
		What: "the drawing has too many elements", Next: "simplify it or divide it into several drawings",
		Limit: fmt.Sprint(r.limits.Elements), Value: "more", Place: place,
	}
}

func (r *reader) tooManyPoints(place string) error {
	return &drawing.Refusal{
		What: "the drawing has too many points", Next: "simplify it or divide it into several drawings",
		Limit: fmt.Sprint(r.limits.Points), Value: "more", Place: place,
	}
}
