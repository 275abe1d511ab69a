package driver

import "testing"

func TestSwitchesOn(t *testing.T) {
	t.Parallel()
	for line, want := range map[string]bool{
		"M3 S1": true, "M03": true, "m3": true, "M 3": true, "M+3": true, "M003": true, "M3.0": true, "M4": true,
		"G1 X1 M3": true, "M5 M3": true, "M": true, "M-3": true, "M3.": true,
		"M5": false, "M2": false, "G1 X3 F3": false, "M30": false, "": false, "G21 G90": false,
	} {
		if got := SwitchesOn(line); got != want {
			t.Errorf("%q: %t", line, got)
		}
	}
}

func TestSwitchesOff(t *testing.T) {
	t.Parallel()
	for line, want := range map[string]bool{"M5": true, "m05": true, "M2": true, "G4 P1 M5": true, "M30": true, "M3 S5": false, "G1 X5": false, "M": false, "": false} {
		if got := SwitchesOff(line); got != want {
			t.Errorf("%q: %t", line, got)
		}
	}
}
