package checklist

import (
	"fmt"
	"strings"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// PauseAfterLockout is how long a site of one rests after a lockout or a flame, since nobody else looks on.
const PauseAfterLockout = 10 * time.Minute

// secondItem asks for a second person, who signs in for it by themselves.
func secondItem() Item {
	return Item{Key: ItemSecond, Title: "Second person", Core: true,
		Ask: "have somebody else look at sheet, plan and machine with you; they sign in here by themselves and stay in the room",
		Fields: []Field{
			{Key: SecondField, Title: "second person", Kind: FieldPerson},
		}}
}

// SecondField holds the second person's id; only their own sign-in puts it there.
const SecondField = "person"

// materialWords are the names of a material and of what it is made of, in small letters.
func materialWords(m material.Material) string {
	words := []string{m.Name}
	for _, c := range m.Composition {
		words = append(words, c.Name)
	}
	return strings.ToLower(strings.Join(words, " "))
}

// Reflective says whether the sheet throws the beam back like a mirror: so its list of hazards or its name
// says. Errs towards yes.
func Reflective(m material.Material) bool {
	words := materialWords(m) + " " + strings.ToLower(strings.Join(m.Hazards, " ")+" "+m.ColourClass)
	for _, w := range []string{"reflect", "mirror", "metal", "shiny", "foil", "alumin", "steel", "copper", "brass", "silver", "gold"} {
		if strings.Contains(words, w) {
			return true
		}
	}
	return false
}

// grounds are what makes a run ask for a second person: hot spots and reflective work, a first run in a new
// material, and what follows a lockout or a flame.
func grounds(f Facts) []string {
	if f.Tool.Kind != machine.ToolBeam {
		return nil
	}
	list := unsharedGrounds(f)
	if f.Circumstances.New {
		list = append(list, "first run in a new material on this machine")
	}
	if !f.Circumstances.LiftedAt.IsZero() {
		list = append(list, "first run after a lockout")
	}
	return list
}

// unsharedGrounds are those that have no substitute on a site of one.
func unsharedGrounds(f Facts) []string {
	var list []string
	switch {
	case !f.Circumstances.Counted:
		list = append(list, "the plan was made before its hot spots were kept")
	case f.Circumstances.HotSpots == 1:
		list = append(list, "1 hot spot")
	case f.Circumstances.HotSpots > 1:
		list = append(list, fmt.Sprintf("%d hot spots", f.Circumstances.HotSpots))
	}
	if Reflective(f.Material) {
		list = append(list, "reflective work")
	}
	return list
}

// AloneRefusals lists what stands for the second person on a site of one, and what has no substitute there
// and is refused. The test piece before a first run in a new material is judged by itself.
func AloneRefusals(f Facts) []Reason {
	if !f.Circumstances.Alone || f.Tool.Kind != machine.ToolBeam {
		return nil
	}
	var no []Reason
	if list := unsharedGrounds(f); len(list) > 0 {
		no = append(no, Reason{What: strings.Join(list, ", ") + ": that asks for a second person, and this site has one person",
			Next: "make the plan again with less in one place or another material, or work it where somebody else is in the room"})
	}
	if left := PauseAfterLockout - f.Today.Sub(f.Circumstances.LiftedAt); !f.Circumstances.LiftedAt.IsZero() && left > 0 {
		no = append(no, Reason{What: fmt.Sprintf("after a lockout or a flame a site of one rests ten minutes: %s left", left.Round(time.Second)),
			Next: "look at machine and room meanwhile; every answer is then given anew", Kind: BecauseNotYet})
	}
	return no
}

// ForFacts adds the items that a run itself asks for: the room where the beam is open, a second person where
// there are grounds for one and the site has more than one, and the contact that a site of one names.
func (c Checklist) ForFacts(f Facts) Checklist {
	if f.Tool.Kind != machine.ToolBeam {
		return c
	}
	items := make([]Item, 0, len(c.Items)+2)
	alone := f.Circumstances.Alone
	room, second, contact := OpenBeam(f.Profile, f.Tool), len(grounds(f)) > 0 && !alone, alone && f.Circumstances.Contact != ""
	for _, item := range c.Items {
		if item.Key == ItemRoom || item.Key == ItemSecond || item.Key == ItemContact {
			continue
		}
		if item.Key == ItemSupply && second {
			items = append(items, secondItem())
		}
		if item.Key == ItemSupply && contact {
			items = append(items, contactItem(f.Circumstances.Contact))
		}
		items = append(items, item)
		if item.Key == ItemEyewear && room {
			items = append(items, roomItem())
		}
	}
	return Checklist{Version: c.Version, Items: items}
}
