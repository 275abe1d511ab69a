package checklist

import (
	"fmt"
	"slices"

	"github.com/google/uuid"

	"kerfgate/plan/material"
)

// Authorisation is one that lets a person operate a machine today: every material on it, or those of its
// groups alone.
type Authorisation struct {
	ID     uuid.UUID
	Groups []material.Group // none: every material
}

// Covers says whether it covers a material. One whose group nobody knows takes an authorisation for all.
func (a Authorisation) Covers(m material.Material) bool {
	return len(a.Groups) == 0 || slices.Contains(a.Groups, m.Group())
}

// whoGrants is what somebody does next who is not authorised.
const whoGrants = "ask a safety officer or an admin, who may grant it; training comes first"

// Authority finds, among the authorisations that somebody holds for a machine, one that covers a material, or
// says why there is none.
func Authority(held []Authorisation, m material.Material) (id uuid.UUID, no Reason, ok bool) {
	for _, a := range held {
		if a.Covers(m) {
			return a.ID, Reason{}, true
		}
	}
	if len(held) == 0 {
		return uuid.Nil, Reason{What: "you hold no valid authorisation for this machine", Next: whoGrants}, false
	}
	var covered []material.Group
	for _, g := range material.Groups() {
		if slices.ContainsFunc(held, func(a Authorisation) bool { return slices.Contains(a.Groups, g) }) {
			covered = append(covered, g)
		}
	}
	group := m.Group()
	what := fmt.Sprintf("you are authorised for %s on this machine, not for %s", GroupWords(covered), group)
	if group == "" {
		what = fmt.Sprintf("you are authorised for %s on this machine, and nothing tells the group of %s", GroupWords(covered), m.Name)
	}
	return uuid.Nil, Reason{What: what, Next: whoGrants}, false
}

// GroupWords are groups in a row, as people read them: "wood and board, plastic".
func GroupWords(groups []material.Group) string {
	text := ""
	for i, g := range groups {
		if i > 0 {
			text += ", "
		}
		text += string(g)
	}
	return text
}
