package material

import "testing"

// TestGroups: every row that is a kind of sheet has a group, the rows that are none have none; without a row
// the composition tells it, and where its parts disagree or tell nothing nobody does.
func TestGroups(t *testing.T) {
	t.Parallel()
	none := map[int64]bool{50: true, 51: true, 52: true} // treated stock, things that are no sheet, the unknown
	used := map[Group]bool{}
	for _, l := range Shipped().Materials {
		g := l.Material.Group()
		if (g == "") != none[l.No] {
			t.Errorf("row %d, %s: group %q", l.No, l.Name, g)
		}
		used[g] = true
	}
	for _, g := range Groups() {
		if !used[g] || !g.Known() {
			t.Errorf("no row is of %s", g)
		}
	}
	for want, m := range map[Group]Material{
		"wood and board":   {Composition: Of("poplar", "urea glue")},
		"plastic":          {Composition: Of("poly(methyl methacrylate)", "aluminium"), Listed: 22}, // mirror acrylic: the row decides
		"textile and felt": {Composition: Of("keratin")},
	} {
		if got := m.Group(); got != want {
			t.Errorf("%v: %q, want %q", m.Composition, got, want)
		}
	}
	for _, c := range []Composition{nil, Of("cellulose"), Of("something of ours"), Of("poly(methyl methacrylate)", "aluminium")} {
		if got := (Material{Composition: c}).Group(); got != "" {
			t.Errorf("%v: %q, and nothing tells it", c, got)
		}
	}
	if Group("").Known() || Group("wood").Known() {
		t.Error("a group that is none is known")
	}
}
