package drawing

import (
	"slices"
	"strings"

	"github.com/tdewolff/parse/v2"
	"github.com/tdewolff/parse/v2/css"
)

// maxRules bounds the style sheets of one drawing.
const maxRules = 5_000

// rule is one selector of a style sheet with its declarations: a type, classes and ids that must
// all match. Selectors that look at other elements are named and not applied.
type rule struct {
	kind        string // "" = any
	classes     []string
	ids         []string
	specificity int
	values      map[string]string
	important   map[string]string
}

func (c rule) matches(n *node, classes []string) bool {
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

// readSheet collects the rules of one style element.
func (r *reader) readSheet(n *node) {
	const next = "write the properties on the elements themselves"
	if media := strings.TrimSpace(n.attrs["media"]); media != "" && media != "all" && media != "screen" {
		r.notice(n, next, "a style sheet for the medium %.40q is not applied", media)
		return
	}
	if kind := strings.TrimSpace(n.attrs["type"]); kind != "" && kind != "text/css" {
		r.notice(n, next, "a style sheet of type %.40q is not applied", kind)
		return
	}
	p := css.NewParser(parse.NewInputString(n.text), false)
	var selectors []string
	var values, important map[string]string
	inside := 0 // of an at-rule, whose condition is not judged
	for faults := 0; faults < maxRules; {
		grammar, _, data := p.Next()
		switch grammar {
		case css.ErrorGrammar:
			if !p.HasParseError() {
				return
			}
			faults++ // the parser goes on behind the fault
			r.notice(n, next, "a style sheet has a faulty declaration, which is not applied")
		case css.AtRuleGrammar, css.BeginAtRuleGrammar:
			r.notice(n, next, "the style sheet's %.40s is not applied", string(data))
			if grammar == css.BeginAtRuleGrammar {
				inside++
			}
		case css.EndAtRuleGrammar:
			inside--
		case css.QualifiedRuleGrammar:
			selectors = append(selectors, strings.Split(joined(p.Values()), ",")...)
		case css.BeginRulesetGrammar:
			selectors = append(selectors, strings.Split(joined(p.Values()), ",")...)
			values, important = map[string]string{}, map[string]string{}
		case css.DeclarationGrammar:
			if values != nil {
				name, value := strings.ToLower(string(data)), joined(p.Values())
				if cut, ok := cutImportant(value); ok {
					important[name] = cut
				} else {
					values[name] = value
				}
			}
		case css.EndRulesetGrammar:
			if inside == 0 {
				for _, s := range selectors {
					r.addRule(n, s, values, important)
				}
			}
			selectors, values, important = nil, nil, nil
		}
	}
}

func joined(tokens []css.Token) string {
	var b strings.Builder
	for _, t := range tokens {
		b.Write(t.Data)
	}
	return strings.TrimSpace(b.String())
}

func cutImportant(value string) (string, bool) {
	at := strings.LastIndexByte(value, '!')
	if at < 0 || !strings.EqualFold(strings.TrimSpace(value[at+1:]), "important") {
		return value, false
	}
	return strings.TrimSpace(value[:at]), true
}

func (r *reader) addRule(n *node, selector string, values, important map[string]string) {
	const next = "write the properties on the elements themselves"
	if len(r.rules) >= maxRules {
		r.notice(n, next, "the style sheets have more than %d rules; the rest is not applied", maxRules)
		return
	}
	c := rule{values: values, important: important}
	rest := strings.TrimSpace(selector)
	if rest == "" {
		return
	}
	for first := true; rest != ""; first = false {
		end := strings.IndexAny(rest[1:], ".#") + 1
		if end == 0 {
			end = len(rest)
		}
		part := rest[:end]
		rest = rest[end:]
		name := strings.TrimLeft(part, ".#")
		if name == "" || strings.ContainsAny(name, " \t\r\n>+~:[]*\\") && part != "*" {
			r.notice(n, next, "the style sheet's selector %.60q is not applied", selector)
			return
		}
		switch {
		case part[0] == '.':
			c.classes = append(c.classes, name)
			c.specificity += 1_000
		case part[0] == '#':
			c.ids = append(c.ids, name)
			c.specificity += 1_000_000
		case !first:
			r.notice(n, next, "the style sheet's selector %.60q is not applied", selector)
			return
		case part != "*":
			c.kind = name
			c.specificity++
		}
	}
	r.rules = append(r.rules, c)
}

// declared is what one element says about itself: presentation attributes, overruled by properties
// of style sheets and of its own style attribute.
type declared struct {
	attrs map[string]string
	sheet map[string]string
}

func (d *declared) lookup(name string) (string, bool) {
	if v, ok := d.sheet[name]; ok {
		return v, true
	}
	v, ok := d.attrs[name]
	return strings.TrimSpace(v), ok
}

func (d *declared) get(name string) string {
	v, _ := d.lookup(name)
	return v
}

// cascade gathers an element's declarations; rules of equal weight count in their order.
func (r *reader) cascade(n *node) *declared {
	if n.own != nil {
		return n.own
	}
	n.own = &declared{attrs: n.attrs, sheet: map[string]string{}}
	put := func(values map[string]string) {
		for name, value := range values { // order does not matter: names are unique
			n.own.sheet[name] = value
		}
	}
	hits := r.rulesFor(n)
	for _, c := range hits {
		put(c.values)
	}
	inline, urgent := inlineStyle(n.attrs["style"])
	put(inline)
	for _, c := range hits {
		put(c.important)
	}
	put(urgent)
	return n.own
}

// mostMatches bounds the work of matching style sheets with elements.
const mostMatches = 50_000_000

// subject is what rules look at.
type subject struct{ name, class, id string }

// rulesFor gives the rules that match an element, the lightest first.
func (r *reader) rulesFor(n *node) []*rule {
	if len(r.rules) == 0 {
		return nil
	}
	key := subject{n.name, n.attrs["class"], n.attrs["id"]}
	hits, known := r.matched[key]
	if !known && r.matches < mostMatches {
		classes := strings.Fields(key.class)
		for i := range r.rules {
			r.matches += 1 + len(classes)*len(r.rules[i].classes)
			if r.rules[i].matches(n, classes) {
				hits = append(hits, &r.rules[i])
			}
		}
		slices.SortStableFunc(hits, func(a, b *rule) int { return a.specificity - b.specificity })
		r.matched[key] = hits
	}
	r.matches += 20 * len(hits)
	return hits
}

// inlineStyle reads a style attribute.
func inlineStyle(text string) (values, important map[string]string) {
	values, important = map[string]string{}, map[string]string{}
	for {
		begin := strings.Index(text, "/*")
		if begin < 0 {
			break
		}
		end := strings.Index(text[begin+2:], "*/")
		if end < 0 {
			text = text[:begin]
			break
		}
		text = text[:begin] + " " + text[begin+2+end+2:]
	}
	for _, declaration := range strings.Split(text, ";") {
		name, value, ok := strings.Cut(declaration, ":")
		if !ok {
			continue
		}
		name, value = strings.ToLower(strings.TrimSpace(name)), strings.TrimSpace(value)
		if cut, is := cutImportant(value); is {
			important[name] = cut
		} else {
			values[name] = value
		}
	}
	return values, important
}
