package checklist

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"kerfgate/plan/hazard/optics"
)

// Marking is what is printed on a pair of eyewear: the wavelengths it covers, how much it takes away
// and which direct hit it stands. LB n of EN 207 means a transmittance of at most 10⁻ⁿ, so it counts as
// OD n.
type Marking struct {
	FromNM, ToNM int64
	ODTenths     int64  // 52 is OD 5.2; the lower one of what OD and LB say
	PrintedOD    int64  // of the OD alone, in tenths; 0 where none is printed
	Modes        string // letters of EN 207 that belong to LB: D continuous wave, I, R, M pulsed
	LB           int    // 0 where none is printed; where there are several, that of mode D
}

// ErrMarking is returned for a marking that cannot be read.
var ErrMarking = errors.New("not a marking: want wavelengths and OD or LB as printed, such as “180-460 OD 6” or “450 D LB6”")

var (
	spanPattern = regexp.MustCompile(`(?:^|[^\d.])(\d{3,5})\s*(?:-|–|to)\s*(\d{3,5})(?:[^\d.]|$)`)
	nmPattern   = regexp.MustCompile(`(?:^|[^\d.])(\d{3,5})(?:[^\d.]|$)`)
	// The number of a standard is no wavelength.
	standardPattern = regexp.MustCompile(`(?i)\b(?:EN|ISO|DIN|ANSI)\s*[A-Z]?\d+(?:[-:.]\d+)*`)

	odPattern = regexp.MustCompile(`(?i)\b(OD|LB)\s*(\d{1,2}(?:\.\d)?)(?:[^\d.]|$)`)
	// Mode letters are capitals; in small ones they would be words.
	modePattern  = regexp.MustCompile(`\b([DIRM]{1,4})\b|(?i:\bLB\s*(\d{1,2}))`)
	alignPattern = regexp.MustCompile(`(?i)\bRB\s*\d`)
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
		value, err := strconv.ParseFloat(od[2], 64)
		if err != nil {
			return Marking{}, ErrMarking
		}
		tenths := int64(value*10 + 0.5)
		if i == 0 || tenths < m.ODTenths {
			m.ODTenths = tenths
		}
		if strings.EqualFold(od[1], "OD") && (m.PrintedOD == 0 || tenths < m.PrintedOD) {
			m.PrintedOD = tenths
		}
	}
	m.Modes, m.LB = scaleNumber(clean)
	if m.LB == 0 && alignPattern.MatchString(clean) {
		return Marking{}, fmt.Errorf("%w; RB in %q is for aligning only, never for running a job", ErrMarking, text)
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

// scaleNumber reads the LB number with the mode letters that stand before it, or after it where none
// stand before. Of several the one that holds for continuous waves counts, of equals the lowest.
func scaleNumber(clean string) (modes string, lb int) {
	var waiting string
	for _, found := range modePattern.FindAllStringSubmatch(clean, -1) {
		if found[2] == "" {
			waiting += found[1]
			continue
		}
		n, _ := strconv.Atoi(found[2]) // digits only, by the pattern
		holds, held := strings.Contains(waiting, "D"), strings.Contains(modes, "D")
		if lb == 0 || holds && !held || holds == held && n < lb {
			modes, lb = waiting, n
		}
		waiting = ""
	}
	if modes == "" && lb > 0 {
		modes = waiting
	}
	return modes, lb
}

// pair is the marking as the optics judge it.
func (m Marking) pair(damaged bool) optics.Eyewear {
	return optics.Eyewear{Scratched: damaged, Lines: []optics.Line{{FromNM: float64(m.FromNM), ToNM: float64(m.ToNM),
		OD: float64(m.PrintedOD) / 10, Modes: m.Modes, LB: m.LB}}}
}

// Covers says whether the pair takes at least odTenths away at the wavelength.
func (m Marking) Covers(wavelengthNM, odTenths int64) bool {
	return m.FromNM <= wavelengthNM && wavelengthNM <= m.ToNM && m.ODTenths >= odTenths
}
