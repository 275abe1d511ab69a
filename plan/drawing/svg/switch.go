package svg

import "strings"

// language is that of the viewer as which the drawing is read; a browser takes its user's.
const language = "en-US"

// choose draws the first child whose conditions hold (SVG 2 §5.9.2).
func (r *reader) choose(n *element, s state) error {
	for _, c := range n.children {
		switch c.name {
		case "title", "desc", "metadata", "style", "script", "defs":
			continue
		}
		if r.conditionsHold(c) {
			return r.walk(c, s)
		}
	}
	return nil
}

// conditionsHold judges an element's conditional attributes. requiredFeatures always holds
// (SVG 2 dropped it); no extension is known here.
func (r *reader) conditionsHold(n *element) bool {
	if _, asks := n.attrs["requiredExtensions"]; asks {
		return false
	}
	list, asks := n.attrs["systemLanguage"]
	if !asks {
		return true
	}
	r.notice(n, "delete the variants that are not wanted", "what is drawn depends on the viewer's language; English is taken")
	for _, tag := range strings.Split(list, ",") {
		tag = strings.TrimSpace(tag)
		if strings.EqualFold(tag, language) || strings.EqualFold(tag, language[:2]) {
			return true
		}
	}
	return false
}
