package dose

import "math"

// Removed is the material that goes into the air: with the kerf of cut lines, and with the energy of what
// does not go through.
type Removed struct {
	VolumeNL int64 // nanolitres, thousandths of a mm³
	MassUG   int64 // micrograms; 0 where neither density nor grammage is known
}

// removed adds up what the strokes take away over the lengths that the beam is on.
func removed(in Input, strokes []Line, lengths []float64) Removed {
	volume := 0.0 // mm³
	for i, um := range lengths {
		if i >= len(in.Works) {
			continue
		}
		w := in.Works[i]
		if w.UJPerMM3 > 0 { // each pass takes away something
			volume += float64(strokes[i].EnergyPJ) / 1e6 / w.UJPerMM3
			continue
		}
		if w.Again {
			continue
		}
		width := w.KerfUM
		if w.PitchUM > 0 {
			width = w.PitchUM
		}
		volume += float64(width) / 1000 * float64(w.DepthUM) / 1000 * um / 1000
	}
	return Removed{VolumeNL: int64(math.Round(volume * 1000)), MassUG: int64(math.Round(volume * in.Sheet.density() * 1000))}
}

// density in mg/mm³ (g/cm³): as given, or grammage over thickness (1 g/m² over 1 µm is 1 g/cm³).
func (s Sheet) density() float64 {
	switch {
	case s.DensityKgPerM3 > 0:
		return float64(s.DensityKgPerM3) / 1000
	case s.ThicknessUM > 0:
		return float64(s.GrammageGPerM2) / float64(s.ThicknessUM)
	}
	return 0
}
