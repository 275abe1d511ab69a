package svg

import (
	"slices"
	"strings"
)

// Weights of a selector's parts (Selectors 4, §17); no selector has a thousand parts of one kind.
const (
	weightID    = 1_000_000
	weightClass = 1_000
	weightType  = 1
	mostParts   = 900
)

// selector is a chain of compounds; how each relates to the one before it stands in its link.
type selector struct {
	steps       []compound
	specificity int
}

// compound is what one element must satisfy.
type compound struct {
	link    byte   // ' ' ancestor, '>' parent, '+' next sibling, '~' sibling; 0 for the first
	kind    string // "" = any
	ids     []string
	classes []string
	attrs   []attrTest
	states  []string // first-child, last-child, only-child, root
}

// attrTest is [name], or [name op value].
type attrTest struct{ name, op, value string }

// readSelector reads one selector; ok is false for what is not known here.
func readSelector(text string) (s selector, ok bool) {
	rest := strings.TrimSpace(text)
	link := byte(0)
	for parts := 0; rest != ""; {
		c := compound{link: link}
		for first := true; rest != "" && strings.IndexByte(" \t\r\n\f>+~", rest[0]) < 0; first = false {
			if parts++; parts > mostParts {
				return s, false
			}
			var weight int
			if rest, weight, ok = c.take(rest, first); !ok {
				return s, false
			}
			s.specificity += weight
		}
		s.steps = append(s.steps, c)
		trimmed := strings.TrimLeft(rest, " \t\r\n\f")
		if trimmed == "" {
			return s, rest == ""
		}
		link = ' '
		if strings.IndexByte(">+~", trimmed[0]) >= 0 {
			link = trimmed[0]
			trimmed = strings.TrimLeft(trimmed[1:], " \t\r\n\f")
		}
		if rest = trimmed; rest == "" || strings.IndexByte(">+~", rest[0]) >= 0 {
			return s, false
		}
	}
	return s, len(s.steps) > 0
}

// take reads one part of a compound from the beginning of text.
func (c *compound) take(text string, first bool) (rest string, weight int, ok bool) {
	name := func(from int) int {
		i := from
		for i < len(text) && (text[i] == '-' || text[i] == '_' || text[i] >= 0x80 ||
			text[i] >= '0' && text[i] <= '9' || text[i]|0x20 >= 'a' && text[i]|0x20 <= 'z') {
			i++
		}
		return i
	}
	switch text[0] {
	case '*':
		return text[1:], 0, first
	case '#':
		end := name(1)
		c.ids = append(c.ids, text[1:end])
		return text[end:], weightID, end > 1
	case '.':
		end := name(1)
		c.classes = append(c.classes, text[1:end])
		return text[end:], weightClass, end > 1
	case ':':
		end := name(1)
		state := text[1:end]
		c.states = append(c.states, state)
		known := slices.Contains([]string{"first-child", "last-child", "only-child", "root"}, state)
		return text[end:], weightClass, known && !strings.HasPrefix(text[end:], "(")
	case '[':
		end := strings.IndexByte(text, ']')
		if end < 0 {
			return "", 0, false
		}
		test, ok := readAttrTest(text[1:end])
		c.attrs = append(c.attrs, test)
		return text[end+1:], weightClass, ok
	}
	end := name(0)
	c.kind = text[:end]
	return text[end:], weightType, first && end > 0
}

func readAttrTest(text string) (attrTest, bool) {
	at := strings.IndexByte(text, '=')
	if at < 0 {
		name := strings.TrimSpace(text)
		return attrTest{name: name}, name != "" && !strings.ContainsAny(name, " |\"'")
	}
	t := attrTest{name: text[:at], op: "=", value: strings.TrimSpace(text[at+1:])}
	if at > 0 && strings.IndexByte("~|^$*", text[at-1]) >= 0 {
		t.name, t.op = text[:at-1], text[at-1:at+1]
	}
	t.name = strings.TrimSpace(t.name)
	if n := len(t.value); n >= 2 && (t.value[0] == '"' || t.value[0] == '\'') && t.value[n-1] == t.value[0] {
		t.value = t.value[1 : n-1]
	} else if strings.ContainsAny(t.value, " \"'") {
		return t, false
	}
	return t, t.name != "" && !strings.ContainsAny(t.name, " |:")
}

func (t attrTest) matches(n *element) bool {
	v, ok := n.attrs[t.name]
	switch {
	case !ok:
		return false
	case t.op == "":
		return true
	case t.op == "=":
		return v == t.value
	case t.op == "~=":
		return slices.Contains(strings.Fields(v), t.value)
	case t.op == "|=":
		return v == t.value || strings.HasPrefix(v, t.value+"-")
	case t.value == "":
		return false
	case t.op == "^=":
		return strings.HasPrefix(v, t.value)
	case t.op == "$=":
		return strings.HasSuffix(v, t.value)
	}
	return strings.Contains(v, t.value)
}

// matchesSubject tests what is the same for all elements of one type, class and id.
func (c compound) matchesSubject(n *element, classes []string) bool {
	if c.kind != "" && c.kind != n.name {
		return false
	}
	for _, id := range c.ids {
		if n.attrs["id"] != id {
			return false
		}
	}
	for _, class := range c.classes {
		if !slices.Contains(classes, class) {
			return false
		}
	}
	return true
}

// matchesPlace tests the rest: other attributes and the place among the siblings.
func (c compound) matchesPlace(n, root *element) bool {
	for _, t := range c.attrs {
		if !t.matches(n) {
			return false
		}
	}
	for _, state := range c.states {
		first := n == root || n.parent != nil && n.index == 0
		last := n == root || n.parent != nil && n.index == len(n.parent.children)-1
		if state == "root" && n.parent != nil || state == "first-child" && !first ||
			state == "last-child" && !last || state == "only-child" && !(first && last) {
			return false
		}
	}
	return true
}

// matchesChain tests the steps before the i-th, whose element is n, within the tree below root (nil:
// the document). It counts its work.
func (s selector) matchesChain(n *element, i int, root *element, work *int) bool {
	if i == 0 {
		return true
	}
	if *work++; *work > mostMatches {
		return false
	}
	link := s.steps[i].link
	for at := n; ; {
		switch {
		case at.parent == nil || at == root:
			return false
		case link == ' ' || link == '>':
			at = at.parent
		case at.index == 0:
			return false
		default:
			at = at.parent.children[at.index-1]
		}
		if *work++; *work > mostMatches {
			return false
		}
		c := s.steps[i-1]
		if c.matchesSubject(at, strings.Fields(at.attrs["class"])) && c.matchesPlace(at, root) && s.matchesChain(at, i-1, root, work) {
			return true
		}
		if link == '>' || link == '+' {
			return false
		}
	}
}
