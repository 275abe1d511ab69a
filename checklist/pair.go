package checklist

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// Pair is one pair of eyewear in the workshop's register: what is printed on it and in which state
// it was when somebody last looked at it in good light.
type Pair struct {
	Label    string    `json:"label"`   // what the workshop wrote on it, such as "pair 2"
	Marking  string    `json:"marking"` // as printed
	Damaged  bool      `json:"damaged"` // scratched, cracked or bleached
	LookedAt time.Time `json:"looked_at"`
}

// Validate says whether the pair may stand in the register: a label of at most 40 letters and a
// marking that can be read. Errors of the marking are ErrMarking.
func (p Pair) Validate() error {
	if n := utf8.RuneCountInString(p.Label); strings.TrimSpace(p.Label) != p.Label || n == 0 || n > 40 {
		return fmt.Errorf("a pair needs a label of 1 to 40 letters, not %.60q", p.Label)
	}
	_, err := ParseMarking(p.Marking)
	return err
}

// PairVerdict is how one pair of the register stands to one beam.
type PairVerdict struct {
	Pair
	Fits bool
	Why  string // what the marking covers of what this beam asks, or what says no
}

// Pairs judges every registered pair for the tool, in the register's order, so that only those that
// fit are offered and the others say why not.
func Pairs(f Facts) []PairVerdict {
	e := eyewearOf(f)
	list := make([]PairVerdict, len(f.Pairs))
	for i, p := range f.Pairs {
		why := p.unfit(e)
		list[i] = PairVerdict{Pair: p, Fits: why == "", Why: why}
		if list[i].Fits {
			list[i].Why = p.covers(e)
		}
	}
	return list
}

// covers says how a pair that fits meets what the beam asks for.
func (p Pair) covers(e eyewear) string {
	m, err := ParseMarking(p.Marking)
	if err != nil {
		return ""
	}
	span := fmt.Sprintf("%d to %d nm", m.FromNM, m.ToNM)
	if m.FromNM == m.ToNM {
		span = fmt.Sprintf("%d nm", m.FromNM)
	}
	why := fmt.Sprintf("covers %s with OD %s; this beam asks for OD %s at %g nm", span, tenths(m.ODTenths), tenths(e.tenths()), e.beam.WavelengthNM)
	if e.asksLB() {
		why += fmt.Sprintf(" and %s, this pair has LB%d in mode %s", e.needs207, m.LB, m.Modes)
	}
	return why
}

// unfit says why a pair is not to be worn for this beam; empty where it fits.
func (p Pair) unfit(e eyewear) string {
	if p.Damaged {
		return "damaged: not to be worn"
	}
	why, _ := e.problem(p.values())
	return why
}

// fitting are the labels that the station offers.
func fitting(f Facts) []string {
	var labels []string
	for _, v := range Pairs(f) {
		if v.Fits {
			labels = append(labels, v.Label)
		}
	}
	return labels
}

// values are the pair's own answers.
func (p Pair) values() Values {
	v := Values{"marking": p.Marking, "condition": ConditionWhole}
	if p.Damaged {
		v["condition"] = ConditionDamaged
	}
	return v
}

// registered finds a pair by its label.
func (f Facts) registered(label string) (Pair, bool) {
	for _, p := range f.Pairs {
		if strings.EqualFold(p.Label, label) {
			return p, true
		}
	}
	return Pair{}, false
}
