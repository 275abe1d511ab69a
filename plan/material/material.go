// Package material holds what is worked and the settings that are proven for it.
package material

// Verdict says whether a material may go under a beam. Unknown is forbidden.
type Verdict string

// The three verdicts.
const (
	Allowed   Verdict = "allowed"
	WithCare  Verdict = "with care"
	Forbidden Verdict = "forbidden"
)

// Material is a kind of sheet.
type Material struct {
	Name string `json:"name"`
	// Label is what label or data sheet say of the composition, in their words. No rule reads it.
	Label       string      `json:"label,omitempty"`
	Composition Composition `json:"composition"`
	ColourClass string      `json:"colour_class"`
	Hazards     []string    `json:"hazards"`
	Fumes       []string    `json:"fumes"` // what a beam drives out of it
	Verdict     Verdict     `json:"verdict"`
	Reason      string      `json:"reason"` // for the verdict
	Sources     []Source    `json:"sources"`
	// Only are the operations that a beam may do on it; none named means all.
	Only []string `json:"only,omitempty"`
	// Marks are by what a sheet is told that comes without a data sheet.
	Marks []string `json:"marks,omitempty"`
	// Listed is the number of the shipped list's row that it began as or is judged by, 0 for none.
	Listed int64 `json:"listed,omitempty"`
}

// Source is where something is known from.
type Source struct {
	Name string `json:"name"`
	Read bool   `json:"read"` // false: from memory
}

// Stock is one lot on the shelf. Under 0.5 mm the grammage stands for the thickness at the gate; of any
// lot it is what the mass of the fume is reckoned from.
type Stock struct {
	Lot         string `json:"lot"`
	Colour      string `json:"colour"`
	ThicknessUM int64  `json:"thickness_um"`
	// ToleranceUM is how far a caliper reading may lie from ThicknessUM.
	ToleranceUM    int64 `json:"tolerance_um"`
	GrammageGPerM2 int64 `json:"grammage_g_per_m2,omitempty"`
	SheetWidthUM   int64 `json:"sheet_width_um"`
	SheetHeightUM  int64 `json:"sheet_height_um"`
	// Halogen: a copper-wire test of this lot showed one. A negative test is kept nowhere that a rule reads.
	Halogen bool `json:"halogen,omitempty"`
}

// grammageUnderUM is the thickness under which a caliper says little: own choice, common practice for
// paper and card.
const grammageUnderUM = 500

// ByGrammage says whether the lot is told apart by the grammage on its label instead of by the caliper.
func (s Stock) ByGrammage() bool { return s.ThicknessUM < grammageUnderUM }

// Setting is what is proven for one machine, tool, material, colour, thickness and operation.
type Setting struct {
	Operation   string `json:"operation"` // cut, mark, engrave, draw
	SpeedUMPerS int64  `json:"speed_um_per_s"`
	// PowerPermille is the power in thousandths of the tool's full power; a pen has 1000.
	PowerPermille int64 `json:"power_permille"`
	Passes        int64 `json:"passes"`
	KerfUM        int64 `json:"kerf_um"`
	// Evidence names the run or the trial that proved it.
	Evidence string `json:"evidence"`
	// DoseUJPerMM is the line dose that was proven, with the tool's power of that day, in µJ/mm; 0 for a
	// pen, and where nobody wrote it down.
	DoseUJPerMM int64 `json:"dose_uj_per_mm,omitempty"`
}
