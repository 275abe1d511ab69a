package checklist_test

import (
	"errors"
	"testing"

	"kerfgate/checklist"
)

// A pair that is marked for several beams takes less away at one of them; which density belongs to
// which wavelengths is never guessed, since guessing wrong costs an eye. What is printed twice for
// one filter counts as the lower one, and the number of a standard is no wavelength.
func TestMarkingOfSeveralBeams(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"445 OD 6, 900-11000 OD 2", "900-11000 OD 2, 445 OD 6", "190-534 nm OD 7+, 850-1090 nm OD 5+",
		"180-315 900-1100 OD 6", "OD 7 445 10600", "D 445 LB6 + IR 1064 LB5",
	} {
		if m, err := checklist.ParseMarking(text); !errors.Is(err, checklist.ErrMarking) {
			t.Errorf("%q was read as %+v (%v)", text, m, err)
		}
	}
	for text, want := range map[string]checklist.Marking{
		"10600 OD 6 LB4":        {FromNM: 10600, ToNM: 10600, ODTenths: 40, PrintedOD: 60, LB: 4},
		"D 445 LB6 EN 207:2017": {FromNM: 445, ToNM: 445, ODTenths: 60, Modes: "D", LB: 6},
		"EN207 10600 D LB3 CE":  {FromNM: 10600, ToNM: 10600, ODTenths: 30, Modes: "D", LB: 3},
	} {
		if m, err := checklist.ParseMarking(text); err != nil || m != want {
			t.Errorf("%q is %+v (%v), want %+v", text, m, err, want)
		}
	}
}

// Mode letters belong to the LB number that they stand beside; of several numbers the one for continuous
// waves counts, and alignment eyewear is none for a run (EN 207 and EN 208 as published guidance
// summarises them).
func TestMarkingModes(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]struct {
		modes string
		lb    int
		od    int64
	}{
		"190-534 D LB6":               {"D", 6, 0},
		"190-534 DIR LB5":             {"DIR", 5, 0},
		"190-534 IRM LB7":             {"IRM", 7, 0},
		"190-534 LB7":                 {"", 7, 0},
		"190-534 LB6 D":               {"D", 6, 0},
		"190-534 D LB6 + IRM LB7":     {"D", 6, 0},
		"190-534 IRM LB7 + D LB6":     {"D", 6, 0},
		"190-534 D LB6 + DI LB5":      {"DI", 5, 0},
		"190-534 nm OD 7+ D LB6 M":    {"D", 6, 70},
		"OD 6 190-534 nm":             {"", 0, 60},
		"d 445 LB6":                   {"", 6, 0}, // a small letter is no mode
		"D 445 LB6 EN 207:2017 OD 6+": {"D", 6, 60},
	} {
		m, err := checklist.ParseMarking(text)
		if err != nil || m.Modes != want.modes || m.LB != want.lb || m.PrintedOD != want.od {
			t.Errorf("%q is %+v (%v), want %+v", text, m, err, want)
		}
	}
	for _, text := range []string{"400-460 RB5", "450 RB3 OD 6"} {
		if m, err := checklist.ParseMarking(text); !errors.Is(err, checklist.ErrMarking) {
			t.Errorf("%q was read as %+v (%v)", text, m, err)
		}
	}
}
