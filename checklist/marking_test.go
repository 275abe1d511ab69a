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
		"10600 OD 6 LB4":        {FromNM: 10600, ToNM: 10600, ODTenths: 40},
		"D 445 LB6 EN 207:2017": {FromNM: 445, ToNM: 445, ODTenths: 60},
		"EN207 10600 D LB3 CE":  {FromNM: 10600, ToNM: 10600, ODTenths: 30},
	} {
		if m, err := checklist.ParseMarking(text); err != nil || m != want {
			t.Errorf("%q is %+v (%v), want %+v", text, m, err, want)
		}
	}
}
