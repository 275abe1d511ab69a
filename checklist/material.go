package checklist

import (
	"fmt"
	"slices"
	"strings"

	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// MaterialRefusals lists what forbids a beam over this lot of this material, whatever is answered.
func MaterialRefusals(tool machine.Tool, m material.Material, s material.Stock) []Reason {
	if tool.Kind != machine.ToolBeam {
		return nil
	}
	var no []Reason
	for _, r := range append(m.Refusals(), s.Refusals()...) {
		no = append(no, Reason{What: r.What, Next: r.Next})
	}
	return no
}

// Forbidden lists what no answer can cure: set-up of machine and tool, material and lot, settings that are
// not proven, and a first piece that is too large.
func (f Facts) Forbidden() []Reason {
	no := ToolRefusals(f.Profile, f.Tool)
	no = append(no, MaterialRefusals(f.Tool, f.Material, f.Stock)...)
	no = append(no, f.Work.Unproven(f.Profile, f.Tool, f.Material)...)
	if r, ok := FirstPiece(f.Circumstances.Alone, f.Tool, f.Size, f.Tried); !ok {
		no = append(no, r)
	}
	return no
}

// ForMaterial adds what a beam run in this material has to pass besides: an item that names the fume where
// the verdict is with care. It stands after the material's own item, before the supply.
func (c Checklist) ForMaterial(tool machine.Tool, m material.Material) Checklist {
	if tool.Kind != machine.ToolBeam || m.Verdict != material.WithCare {
		return c
	}
	at := slices.IndexFunc(c.Items, func(i Item) bool { return i.Key == ItemSupply })
	if after := slices.IndexFunc(c.Items, func(i Item) bool { return i.Key == ItemMaterial }); after >= 0 {
		at = after + 1
	}
	if at < 0 {
		at = len(c.Items)
	}
	return Checklist{Version: c.Version, Items: slices.Insert(slices.Clone(c.Items), at, careItem(m))}
}

func careItem(m material.Material) Item {
	fume := "fume that nobody has named"
	if len(m.Fumes) > 0 {
		fume = strings.Join(m.Fumes, ", ")
	}
	ask := "see that the extraction draws where the beam will be; " + m.Name + " gives off " + fume
	if len(m.Hazards) > 0 {
		ask += ". Watch for: " + strings.Join(m.Hazards, "; ")
	}
	fields := []Field{{Key: "drawn", Title: "extraction seen drawing, for " + fume, Kind: FieldYes}}
	if len(m.Marks) > 0 {
		fields = append(fields, Field{Key: "marks", Title: "seen on this sheet: " + strings.Join(m.Marks, "; "), Kind: FieldYes})
	}
	return Item{Key: ItemCare, Title: "With care", Ask: ask, Fields: fields}
}

// Work is what a run's plan does to the sheet, and what is proven today.
type Work struct {
	// Lost: nobody kept with which settings the plan was made.
	Lost bool
	// Settings are those that the plan was made with, Proven those that hold now for the same tool, lot and
	// operations.
	Settings []material.Setting
	Proven   []material.Setting
	// Trial marks the one kind of run that may be unproven: a plan for which plan.Choices.Unproven holds.
	Trial bool
}

// Unproven lists what of the work nothing has proven for a beam: the settings trial alone may do that.
func (w Work) Unproven(p machine.Profile, tool machine.Tool, m material.Material) []Reason {
	if tool.Kind != machine.ToolBeam || w.Trial {
		return nil
	}
	if w.Lost {
		return []Reason{{What: "unproven: with which settings the plan was made was not kept", Next: "make the plan again and submit it"}}
	}
	var no []Reason
	for _, s := range w.Settings {
		if len(m.Only) > 0 && !slices.Contains(m.Only, s.Operation) {
			no = append(no, Reason{What: fmt.Sprintf("a beam may only %s on %s", strings.Join(m.Only, " or "), m.Name), Next: "make the plan with another operation"})
		}
		at := slices.IndexFunc(w.Proven, func(x material.Setting) bool { return x.Operation == s.Operation })
		if at < 0 {
			no = append(no, Reason{What: fmt.Sprintf("unproven: nothing is proven any more to %s this stock on this machine", s.Operation),
				Next: "prove a setting by a settings trial, then make the plan again"})
			continue
		}
		proven := w.Proven[at]
		if m.Verdict == material.WithCare && strings.TrimSpace(proven.Evidence) == "" {
			no = append(no, Reason{What: fmt.Sprintf("%s is to be worked with care, and the setting to %s names no run that proved it", m.Name, s.Operation),
				Next: "have a settings trial made first"})
		}
		// What is asked is whether the plan's own speed, power and passes still give the dose of today's proof.
		if s.DoseUJPerMM = proven.DoseUJPerMM; s.DoseUJPerMM == 0 {
			s.DoseUJPerMM = proven.LineDose(tool.PowerMW)
		}
		if what := s.Departed(tool.PowerMW, p.DoseSharePermille); what != "" {
			no = append(no, Reason{What: what, Next: "make the plan again with what is proven now, or prove it by a settings trial"})
		}
	}
	return no
}
