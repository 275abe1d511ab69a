package svg

import (
	"maps"
	"slices"
	"strings"
)

// declared is what one element says about itself: presentation attributes, overruled by properties
// of style sheets and of its own style attribute.
type declared struct {
	attrs map[string]string
	sheet map[string]string
}

// find gives a property's value, and whether it comes from CSS.
func (d *declared) find(name string) (value string, css, ok bool) {
	if v, ok := d.sheet[name]; ok {
		return v, true, true
	}
	v, ok := d.attrs[name]
	return strings.TrimSpace(v), false, ok
}

func (d *declared) lookup(name string) (string, bool) {
	v, _, ok := d.find(name)
	return v, ok
}

func (d *declared) get(name string) string {
	v, _ := d.lookup(name)
	return v
}

// cascade gathers an element's declarations; rules of equal weight count in their order. What use
// draws is a tree of its own to selectors (SVG 2 §5.6.1): they do not see what stands around it.
func (r *reader) cascade(n *element) *declared {
	if n.own != nil && (n.ownIn == r.instance || !r.contextual) {
		return n.own
	}
	n.ownIn = r.instance
	n.own = &declared{attrs: n.attrs, sheet: map[string]string{}}
	hits := r.rulesFor(n)
	for _, c := range hits {
		maps.Copy(n.own.sheet, c.values)
	}
	inline := r.inlineStyle(n)
	maps.Copy(n.own.sheet, inline.values)
	for _, c := range hits {
		maps.Copy(n.own.sheet, c.important)
	}
	maps.Copy(n.own.sheet, inline.important)
	return n.own
}

// subject is what the last step of a selector looks at first.
type subject struct{ name, class, id string }

// rulesFor gives the rules that match an element, the lightest first.
func (r *reader) rulesFor(n *element) []*rule {
	if len(r.rules) == 0 || r.matches >= mostMatches {
		return nil
	}
	key := subject{n.name, n.attrs["class"], n.attrs["id"]}
	candidates, known := r.matched[key]
	if !known {
		classes := strings.Fields(key.class)
		for i := range r.rules {
			last := r.rules[i].steps[len(r.rules[i].steps)-1]
			r.matches += 1 + len(classes)*len(last.classes)
			if last.matchesSubject(n, classes) {
				candidates = append(candidates, &r.rules[i])
			}
		}
		slices.SortStableFunc(candidates, func(a, b *rule) int { return a.specificity - b.specificity })
		r.matched[key] = candidates
	}
	var hits []*rule
	for _, c := range candidates {
		r.matches += 100 // applying the declarations takes longer than a comparison
		last := len(c.steps) - 1
		if c.steps[last].matchesPlace(n, r.instance) && c.matchesChain(n, last, r.instance, &r.matches) {
			hits = append(hits, c)
		}
	}
	return hits
}
