package material

import "fmt"

// Refusal is one reason against a beam, with what to do next.
type Refusal struct{ What, Next string }

// Refusals lists everything that keeps the material out of a beam; none means that it may go under one,
// with care where its verdict says so. Any halogen, any forbidden substance and any gap in the composition
// refuse, whatever the verdict is: what is not known is forbidden (rules of several university and
// community workshops).
func (m Material) Refusals() []Refusal {
	var no []Refusal
	say := func(next, format string, a ...any) {
		no = append(no, Refusal{What: fmt.Sprintf(format, a...), Next: next})
	}
	name := m.Name
	if name == "" {
		name = "a material without a name"
	}
	if len(m.Composition) == 0 {
		say("ask the safety officer to write down what its data sheet says", "nobody wrote down what %s is made of; unknown is forbidden", name)
	}
	for _, c := range m.Composition {
		if halogen := c.Halogen(); halogen != "" {
			say("take another material; no setting and no extraction cures this", "%s holds %s, in %s", name, halogen, c.Name)
			continue
		}
		if why := c.forbidden(); why != "" {
			say("take another material", "%s holds %s: %s", name, c.Name, why)
			continue
		}
		if !c.Known() {
			say("ask the safety officer to write down its elements from the data sheet", "%s holds %s, and nobody wrote down of which elements that is", name, c.Name)
		}
	}
	switch m.Verdict {
	case Allowed, WithCare:
	case Forbidden:
		what := name + " must not go under a beam"
		if m.Reason != "" {
			what += ": " + m.Reason
		}
		say("take another material, or a pen", "%s", what)
	default:
		say("ask the safety officer for a verdict", "nobody has judged whether %s may go under a beam; unknown is forbidden", name)
	}
	return no
}

// Refusals lists what keeps this lot out of a beam besides its material. A flame test may only forbid: a
// negative one proves nothing, since it misses fluorine and thin coatings (Canadian Conservation Institute,
// Notes 17/1, and common practice).
func (s Stock) Refusals() []Refusal {
	if !s.Halogen {
		return nil
	}
	return []Refusal{{What: fmt.Sprintf("a copper-wire test of lot %s showed a halogen", s.Lot), Next: "take another lot; dispose of this one"}}
}

// strictness orders the verdicts; what is no verdict is the strictest.
func (v Verdict) strictness() int {
	switch v {
	case Allowed:
		return 0
	case WithCare:
		return 1
	}
	return 2
}

// Stricter says whether v allows less than w.
func (v Verdict) Stricter(w Verdict) bool { return v.strictness() > w.strictness() }

// Overrules says why an officer may not give m this verdict, empty where that is possible. A verdict may
// always be stricter than the shipped list's. It may be laxer only where the list names for what, and then
// with a reason; and for nothing whose composition refuses.
func (m Material) Overrules(reason string) []Refusal {
	if m.Verdict == Forbidden {
		return nil
	}
	var no []Refusal
	if m.Verdict != Allowed && m.Verdict != WithCare {
		return []Refusal{{What: fmt.Sprintf("there is no verdict %.40q", string(m.Verdict)), Next: "choose allowed, with care or forbidden"}}
	}
	judged := m
	judged.Verdict = Allowed
	no = append(no, judged.Refusals()...)
	l, ok := ListedAs(m.Listed)
	if !ok || !l.Verdict.Stricter(m.Verdict) {
		return no
	}
	switch {
	case l.Relax == "":
		no = append(no, Refusal{What: fmt.Sprintf("%s stands as %s in the list, which names no exception: %s", l.Name, l.Verdict, l.Reason),
			Next: "leave the verdict, or make it stricter"})
	case m.Verdict == Allowed:
		no = append(no, Refusal{What: fmt.Sprintf("%s stands as %s in the list; as an exception it is worked with care, not more", l.Name, l.Verdict),
			Next: "choose with care"})
	case reason == "":
		no = append(no, Refusal{What: fmt.Sprintf("%s stands as %s in the list; the exception is: %s", l.Name, l.Verdict, l.Relax),
			Next: "say why this stock is that exception, and from which paper it is known"})
	}
	return no
}
