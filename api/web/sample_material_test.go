package web

// Samples of the materials' pages.

func sampleMaterials() MaterialsView {
	return MaterialsView{Shell: sampleShell("Materials", "/materials"), MayEdit: true, Form: sampleMaterialForm(),
		Shelved: []MaterialRow{{Href: "/materials/1", Name: "poplar plywood", Verdict: "allowed", Composition: "poplar veneer, urea glue", Fumes: []string{"smoke", "formaldehyde"},
			Lots: []string{"P118, natural, 3 mm: 20 free of 24"}}},
		Rest: []MaterialRow{{Href: "/materials/2", Name: "wool felt", Verdict: "with care", Reason: "HCN; self-extinguishing, smells", Composition: "wool", Fumes: []string{"hydrogen cyanide"}},
			{Href: "/materials/3", Name: "PVC, vinyl", Verdict: "forbidden", Reason: "HCl", Composition: "vinyl", Barred: true}, {Href: "/materials/4", Name: "mystery sheet", Verdict: "allowed", Barred: true}}}
}

func sampleMaterialForm() MaterialForm {
	return MaterialForm{Name: "poplar plywood", Composition: "poplar veneer\nurea glue", Reason: "data sheet", Fumes: "smoke", Verdicts: []Role{{Value: "allowed", Label: "allowed", Chosen: true}, {Value: "with care", Label: "with care"}},
		Only: []Role{{Value: "cut", Label: "cut"}}, Listed: []Role{{Value: "0", Label: "none of them"}, {Value: "3", Label: "3 birch plywood: allowed", Chosen: true}}}
}

func sampleMaterial() MaterialView {
	v := MaterialView{Shell: sampleShell("Poplar plywood", "/materials"), Path: "/materials/1", Name: "poplar plywood", Verdict: "with care", Reason: "glue pockets char", Label: "poplar veneer, urea glue", Rev: 4,
		Barred: true, Refusals: []Reason{{What: "Poplar plywood holds paint, and nobody wrote down of which elements that is", Next: "Ask the safety officer"}},
		Constituents: []ConstituentRow{{Name: "poplar veneer", Elements: "C, H, O, N"}, {Name: "vinyl", Elements: "C, H, Cl", Bad: "chlorine"}, {Name: "paint"}},
		Hazards:      []string{"resin pockets flare"}, Fumes: []string{"smoke", "formaldehyde"}, Only: []string{"cut", "mark"}, Marks: []string{"uncoated", "no gloss"},
		Sources: []SourceRow{{Name: "data sheet of the mill", Read: true}, {Name: "common practice"}}, Standing: "Judged by row 3 of the shipped list, “birch plywood”: allowed there.",
		Lots:     []LotRow{{ID: "s1", Lot: "P118", Colour: "natural", Thick: "3 mm, 1350 g/m²", Sheet: "300 × 200 mm", Rev: 2, Count: 24, Promised: 4, Free: 20}, {ID: "s2", Lot: "P119", Colour: "natural", Thick: "3 mm", Sheet: "300 × 200 mm", Halogen: true}},
		Settings: []ProvenRow{{ID: "x1", SettingRow: sampleMachinePage().Settings[0], Machine: "Bay 1 · CO₂, lidded", By: "Runa Eik", At: sampleNow, Departs: "unproven: to cut with 2.000 J/mm lies 11.2 % from the 1.800 J/mm that was proven"}},
		Changes:  []ChangeRow{{At: sampleNow, By: "Runa Eik", What: "with care", Reason: "the new glue chars"}}, Shelf: []ChangeRow{{At: sampleNow, By: "Runa Eik", What: "Lot P118, 24 sheets", Reason: "counted"}},
		MayEdit: true, Form: sampleMaterialForm(), Lot: LotForm{Count: "1"}, Proof: ProofForm{Tools: []Role{{Value: "m1|beam", Label: "Bay 1: beam"}}, Operations: []Role{{Value: "cut", Label: "cut", Chosen: true}}, Passes: "1"}}
	v.Form.Changes, v.Form.Listed = true, nil
	return v
}
