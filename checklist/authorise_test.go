package checklist_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/plan/material"
)

// TestAuthority: an authorisation for every material covers every material, one with groups those alone, and
// what nobody can tell the group of takes one for every material.
func TestAuthority(t *testing.T) {
	t.Parallel()
	all := checklist.Authorisation{ID: uuid.UUID{1}}
	wood := checklist.Authorisation{ID: uuid.UUID{2}, Groups: []material.Group{"wood and board", "leather"}}
	ply, acrylic := material.Material{Name: "ply", Composition: material.Of("wood")}, material.Material{Name: "acrylic", Listed: 21}
	unknown := material.Material{Name: "found sheet"}
	for _, c := range []struct {
		held []checklist.Authorisation
		m    material.Material
		want uuid.UUID
		says string
	}{
		{nil, ply, uuid.Nil, "no valid authorisation"},
		{[]checklist.Authorisation{wood}, ply, wood.ID, ""},
		{[]checklist.Authorisation{wood}, acrylic, uuid.Nil, "wood and board, leather on this machine, not for plastic"},
		{[]checklist.Authorisation{wood}, unknown, uuid.Nil, "nothing tells the group of found sheet"},
		{[]checklist.Authorisation{wood, all}, acrylic, all.ID, ""},
		{[]checklist.Authorisation{all}, unknown, all.ID, ""},
	} {
		id, no, ok := checklist.Authority(c.held, c.m)
		if id != c.want || ok != (c.want != uuid.Nil) || !strings.Contains(no.What, c.says) || !ok && !strings.Contains(no.Next, "who may grant it") {
			t.Errorf("%v for %s: %v, %+v, %v", c.held, c.m.Name, id, no, ok)
		}
	}
}
