package checklist

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Marking is what is printed on a pair of eyewear: the wavelengths it covers and how much it
// takes away. LB n of EN 207 means a transmittance of at most 10⁻ⁿ, so it counts as OD n.
type Marking struct {
	FromNM, ToNM int64
	ODTenths     int64 // 52 is OD 5.2
}

// ErrMarking is returned for a marking that cannot be read.
var ErrMarking = errors.New("not a marking: want wavelengths and OD or LB as printed, such as “180-460 OD 6” or “450 D LB6”")

var (
	spanPattern = regexp.MustCompile(`(?:^|[^\d.])(\d{3,5})\s*(?:-|–|to)\s*(\d{3,5})(?:[^\d.]|$)`)
	nmPattern   = regexp.MustCompile(`(?:^|[^\d.])(\d{3,5})(?:[^\d.]|$)`)
	// The number of a standard is no wavelength.
	standardPattern = regexp.MustCompile(`(?i)\b(?:EN|ISO|DIN|ANSI)\s*[A-Z]?\d+(?:[-:.]\d+)*`)

	odPattern = regexp.MustCompile(`(?i)\b(?:OD|LB)\s*(\d{1,2}(?:\.\d)?)(?:[^\d.]|$)`)
)

// ParseMarking reads a marking as printed. The order of the parts is free; “nm”, “+”, “>”, “≥”
// and letters for the pulse mode may stand in it. Errors are ErrMarking.
func ParseMarking(text string) (Marking, error) {
	if len(text) > 120 {
		return Marking{}, ErrMarking
	}
	clean := strings.NewReplacer("nm", " ", "µm", " um ", "+", " ", ">", " ", "≥", " ", "@", " ", ",", " ").Replace(text)
	var m Marking
	clean = standardPattern.ReplaceAllString(clean, " ")
	densities := odPattern.FindAllStringSubmatch(clean, -1)
	if densities == nil {
		return Marking{}, fmt.Errorf("%w; no OD or LB in %q", ErrMarking, text)
	}
	// The same filter may give OD and LB; the lower one counts.
	for i, od := range densities {
		value, err := strconv.ParseFloat(od[1], 64)
		if err != nil {
			return Marking{}, ErrMarking
		}
		if tenths := int64(value*10 + 0.5); i == 0 || tenths < m.ODTenths {
			m.ODTenths = tenths
		}
	}
	rest := odPattern.ReplaceAllString(clean, " ")
	switch span := spanPattern.FindStringSubmatch(rest); {
	case span != nil:
		rest = strings.Replace(rest, span[0], " ", 1)
		m.FromNM, _ = strconv.ParseInt(span[1], 10, 64) // digits only, by the pattern
		m.ToNM, _ = strconv.ParseInt(span[2], 10, 64)
	default:
		one := nmPattern.FindStringSubmatch(rest)
		if one == nil {
			return Marking{}, fmt.Errorf("%w; no wavelength in nm in %q", ErrMarking, text)
		}
		rest = strings.Replace(rest, one[0], " ", 1)
		m.FromNM, _ = strconv.ParseInt(one[1], 10, 64)
		m.ToNM = m.FromNM
	}
	if nmPattern.MatchString(rest) {
		// A pair for several beams: which density belongs to which wavelengths is not guessed.
		return Marking{}, fmt.Errorf("%w; several wavelengths in %q: type only the part for this beam", ErrMarking, text)
	}
	if m.FromNM < 180 || m.ToNM > 20_000 || m.FromNM > m.ToNM {
		return Marking{}, fmt.Errorf("%w; wavelengths %d to %d nm", ErrMarking, m.FromNM, m.ToNM)
	}
	return m, nil
}

// Covers says whether the pair takes at least odTenths away at the wavelength.
func (m Marking) Covers(wavelengthNM, odTenths int64) bool {
	return m.FromNM <= wavelengthNM && wavelengthNM <= m.ToNM && m.ODTenths >= odTenths
}
