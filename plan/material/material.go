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
	Name        string   `json:"name"`
	Composition string   `json:"composition"`
	ColourClass string   `json:"colour_class"`
	Hazards     []string `json:"hazards"`
	Verdict     Verdict  `json:"verdict"`
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
}
