package svg

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"regexp"

	"kerfgate/plan/drawing"
)

// Some editors declare their namespaces as XML entities. Those are read, within bounds: a value is
// plain text (no markup, no other entity), and all references together add little to the file.
// Anything beyond is refused: entities that refer to others can multiply without end.
const (
	mostEntities       = 100
	mostEntityBytes    = 1_024   // of one value
	mostEntityAddition = 1 << 20 // bytes that all references add
	plainSVG           = "save it again without entities (as plain SVG)"
)

// entityDeclaration is an internal general entity (XML 1.0, production 71).
var entityDeclaration = regexp.MustCompile(`<!ENTITY\s+([A-Za-z_:][-A-Za-z0-9_:.]*)\s+("[^"]*"|'[^']*')\s*>`)

// declare takes the entities of a document type.
func (p *parser) declare(directive xml.Directive) error {
	declarations := bytes.Count(bytes.ToUpper(directive), []byte("<!ENTITY"))
	if declarations == 0 {
		return nil
	}
	refuse := func(format string, args ...any) error {
		return &drawing.Refusal{What: "the drawing declares XML entities that are not read: " + fmt.Sprintf(format, args...),
			Next: plainSVG, Place: fmt.Sprintf("line %d", p.line())}
	}
	found := entityDeclaration.FindAllSubmatch(directive, mostEntities+1)
	switch {
	case p.root != nil || p.dec.Entity != nil:
		return refuse("they stand in the wrong place")
	case len(found) > mostEntities:
		return refuse("more than %d of them", mostEntities)
	case len(found) != declarations:
		return refuse("some refer outside the file or to each other")
	}
	p.dec.Entity = make(map[string]string, len(found))
	added := 0
	for _, f := range found {
		name, value := string(f[1]), string(f[2][1:len(f[2])-1])
		switch {
		case len(value) > mostEntityBytes:
			return refuse("%.40q is longer than %d bytes", name, mostEntityBytes)
		case bytes.ContainsAny(f[2], "<&%"):
			return refuse("%.40q holds markup or refers to another", name)
		}
		added += len(value) * bytes.Count(p.data, []byte("&"+name+";"))
		if added > mostEntityAddition {
			return refuse("their uses would add more than %d bytes", mostEntityAddition)
		}
		if _, twice := p.dec.Entity[name]; !twice { // the first declaration counts (XML 1.0, 4.2)
			p.dec.Entity[name] = value
		}
	}
	return nil
}
