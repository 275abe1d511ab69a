package material

import "fmt"

// DefaultDoseSharePermille is how far, in thousandths, the line dose of a setting may lie from what was
// proven and still count as proven, where the machine's profile says nothing: own choice, no source found.
const DefaultDoseSharePermille = 200

// Departure is by how many thousandths the line dose that a tool of this full power gives with the setting
// lies from the dose that was proven, rounded up; known is false where no dose was written down.
func (s Setting) Departure(powerMW int64) (permille int64, known bool) {
	if s.DoseUJPerMM <= 0 {
		return 0, false
	}
	off := s.LineDose(powerMW) - s.DoseUJPerMM
	if off < 0 {
		off = -off
	}
	return (off*1000 + s.DoseUJPerMM - 1) / s.DoseUJPerMM, true
}

// Departed says that a setting departs by more than the share from what was proven, with the numbers;
// empty where it does not. share 0 stands for DefaultDoseSharePermille.
func (s Setting) Departed(powerMW, sharePermille int64) string {
	if sharePermille == 0 {
		sharePermille = DefaultDoseSharePermille
	}
	off, known := s.Departure(powerMW)
	if !known || off <= sharePermille {
		return ""
	}
	return fmt.Sprintf("unproven: to %s with %s lies %s %% from the %s that was proven; at most %s %% count as proven",
		s.Operation, DoseText(s.LineDose(powerMW)), tenths(off), DoseText(s.DoseUJPerMM), tenths(sharePermille))
}

// DoseText prints a line dose in J/mm.
func DoseText(ujPerMM int64) string {
	return fmt.Sprintf("%d.%03d J/mm", ujPerMM/1_000_000, ujPerMM/1000%1000)
}

func tenths(permille int64) string {
	if permille%10 == 0 {
		return fmt.Sprint(permille / 10)
	}
	return fmt.Sprintf("%d.%d", permille/10, permille%10)
}
