package svg

import (
	"strings"

	"github.com/tdewolff/parse/v2"
	"github.com/tdewolff/parse/v2/css"
)

const (
	// mostRules bounds the style sheets of one drawing.
	mostRules = 5_000
	// mostMatches bounds the work of matching style sheets with elements.
	mostMatches = 50_000_000

	ownStyle = "write the properties on the elements themselves"
)

// rule is one selector of a style sheet with its declarations.
type rule struct {
	selector
	declarations
}

// declarations are properties with their values.
type declarations struct{ values, important map[string]string }

func newDeclarations() declarations {
	return declarations{values: map[string]string{}, important: map[string]string{}}
}

// put keeps a property; a value that is not valid for it is not taken, so that the one before it
// stays (CSS Syntax 3, §9).
func (d declarations) put(name, value string, inline bool) bool {
	name = strings.ToLower(name)
	into := d.values
	if cut, ok := cutImportant(value); ok {
		value, into = cut, d.important
	}
	switch name {
	case "display", "visibility", "fill-rule", "transform-box", "overflow":
		value = strings.ToLower(value)
	}
	if !validProperty(name, value, inline) {
		return false
	}
	into[name] = value
	return true
}

func cutImportant(value string) (string, bool) {
	at := strings.LastIndexByte(value, '!')
	if at < 0 || !strings.EqualFold(strings.TrimSpace(value[at+1:]), "important") {
		return value, false
	}
	return strings.TrimSpace(value[:at]), true
}

// readSheet collects the rules of one style element.
func (r *reader) readSheet(n *element) {
	if !r.mediumApplies(n.attrs["media"]) {
		r.notice(n, ownStyle, "a style sheet for the medium %.40q is not applied", n.attrs["media"])
		return
	}
	if kind := strings.TrimSpace(n.attrs["type"]); kind != "" && !strings.EqualFold(kind, "text/css") {
		r.notice(n, ownStyle, "a style sheet of type %.40q is not applied", kind)
		return
	}
	p := css.NewParser(parse.NewInputBytes(n.text), false)
	var selectors []string
	found := newDeclarations()
	var applies []bool // per at-rule that is open
	for faults := 0; faults < mostRules; {
		grammar, _, data := p.Next()
		switch grammar {
		case css.ErrorGrammar:
			if !p.HasParseError() {
				return
			}
			faults++ // the parser goes on behind the fault
			r.notice(n, ownStyle, "a style sheet has a faulty declaration, which is not applied")
		case css.AtRuleGrammar:
			if name := string(data); name != "@charset" && name != "@namespace" {
				r.notice(n, ownStyle, "the style sheet's %.40s is not applied", name)
			}
		case css.BeginAtRuleGrammar:
			applies = append(applies, string(data) == "@media" && r.mediumApplies(joined(p.Values())))
			if !applies[len(applies)-1] && string(data) != "@font-face" {
				r.notice(n, ownStyle, "the style sheet's %.40s is not applied", string(data))
			}
		case css.EndAtRuleGrammar:
			if len(applies) > 0 {
				applies = applies[:len(applies)-1]
			}
		case css.QualifiedRuleGrammar:
			selectors = append(selectors, splitSelectors(joined(p.Values()))...)
		case css.BeginRulesetGrammar:
			selectors = append(selectors, splitSelectors(joined(p.Values()))...)
			found = newDeclarations()
		case css.DeclarationGrammar:
			if value := joined(p.Values()); !found.put(string(data), value, false) {
				r.notice(n, ownStyle, "the style sheet's %.40s: %.40s is faulty and not applied", string(data), value)
			}
		case css.EndRulesetGrammar:
			if !containsFalse(applies) {
				for _, s := range selectors {
					r.addRule(n, s, found)
				}
			}
			selectors = nil
		}
	}
}

func containsFalse(all []bool) bool {
	for _, v := range all {
		if !v {
			return true
		}
	}
	return false
}

// mediumApplies says whether a list of media holds the screen, on which people see their drawing.
func (r *reader) mediumApplies(media string) bool {
	media = strings.ToLower(strings.TrimSpace(media))
	if media == "" {
		return true
	}
	for _, m := range strings.Split(media, ",") {
		if m = strings.TrimSpace(m); m == "all" || m == "screen" {
			return true
		}
	}
	return false
}

func joined(tokens []css.Token) string {
	var b strings.Builder
	for _, t := range tokens {
		if t.TokenType != css.CommentToken {
			b.Write(t.Data)
		}
	}
	return strings.TrimSpace(b.String())
}

// splitSelectors divides a list at the commas that stand in no bracket and no quotes.
func splitSelectors(text string) []string {
	var list []string
	inside, quote, from := 0, rune(0), 0
	for i, c := range text {
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '(' || c == '[':
			inside++
		case c == ')' || c == ']':
			inside--
		case c == ',' && inside == 0:
			list = append(list, text[from:i])
			from = i + 1
		}
	}
	if rest := strings.TrimSpace(text[from:]); rest != "" {
		list = append(list, rest)
	}
	return list
}

func (r *reader) addRule(n *element, text string, d declarations) {
	if len(r.rules) >= mostRules {
		r.notice(n, ownStyle, "the style sheets have more than %d rules; the rest is not applied", mostRules)
		return
	}
	s, ok := readSelector(text)
	if !ok {
		r.notice(n, ownStyle, "the style sheet's selector %.60q is not applied", text)
		return
	}
	last := s.steps[len(s.steps)-1]
	r.contextual = r.contextual || len(s.steps) > 1 || len(last.states) > 0
	r.rules = append(r.rules, rule{selector: s, declarations: d})
}

// inlineStyle reads a style attribute.
func (r *reader) inlineStyle(n *element) declarations {
	d := newDeclarations()
	text := n.attrs["style"]
	if text == "" {
		return d
	}
	p := css.NewParser(parse.NewInputString(text), true)
	for range mostRules {
		grammar, _, data := p.Next()
		switch {
		case grammar == css.ErrorGrammar && !p.HasParseError():
			return d
		case grammar == css.ErrorGrammar:
			r.notice(n, "correct this element and save the drawing again", "a style attribute has a faulty declaration, which is not applied")
		case grammar == css.DeclarationGrammar:
			if value := joined(p.Values()); !d.put(string(data), value, true) {
				r.notice(n, "correct this element and save the drawing again", "the style %.40s: %.40s is faulty and not applied", string(data), value)
			}
		}
	}
	r.notice(n, "simplify its style", "a style attribute is too long; the rest is not applied")
	return d
}
