package optics

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// OD is a required optical density.
type OD struct {
	Exact float64
	Shown float64 // rounded up to a tenth
	Limit Limit
}

// RequiredOD is log10(E/MPE) with the whole power in the limiting aperture, however narrow the beam: a
// pupil takes all of it. At least 0. Errors wrap those of this package.
func RequiredOD(b Beam, seconds float64) (OD, error) {
	if err := b.check(); err != nil {
		return OD{}, err
	}
	l, err := MPE(b.WavelengthNM, seconds)
	if err != nil {
		return OD{}, err
	}
	exact := max(0, density(b.MaxPowerW/area(l.ApertureMM/1000), l.WM2))
	return OD{exact, roundUp(exact), l}, nil
}

// density is the optical density that brings an irradiance down to a limit.
func density(irradiance, limit float64) float64 { return math.Log10(irradiance / limit) }

// roundUp gives the next tenth; what misses a tenth only in the last bits is that tenth.
func roundUp(v float64) float64 { return math.Ceil(v*10-1e-9) / 10 }

// Mark is a scale number of eyewear.
type Mark struct {
	Letters string // "LB" (EN 207) or "RB" (EN 208)
	N       int
	WM2     float64 // the power density that it is for
}

// String is the mark as printed on eyewear, without its wavelength.
func (m Mark) String() string { return fmt.Sprintf("%s%d", m.Letters, m.N) }

// Errors of marks.
var (
	ErrMarkRange = errors.New("no scale number reaches this power density; ask the person in charge of laser safety")
	ErrAlignment = errors.New("alignment eyewear is for visible beams, 400 to 700 nm")
)

// LB is the smallest scale number n of EN 207 for a continuous-wave beam (mode D): P/A ≤ 10^(n+1) W/m²
// up to 1400 nm, 10^(n+3) above. A is the beam's own area: the filter takes a direct hit there. The
// 2017 edition corrects for beams other than 1 mm: the supplier knows. Numbers above 10 do not exist.
func LB(b Beam) (Mark, error) {
	if err := b.checkShape(); err != nil {
		return Mark{}, err
	}
	density := b.MaxPowerW / area(b.DiameterMM/1000)
	less := 1.0
	if far, _ := farBand(b.WavelengthNM); far {
		less = 3
	}
	return mark("LB", density, less, 10)
}

// RB is the smallest scale number n of EN 208 for aligning a visible continuous-wave beam: P/A ≤
// 10^(n+3) W/m². It weakens a beam to what the blink answers and never serves to run a job.
func RB(b Beam) (Mark, error) {
	if err := b.checkShape(); err != nil {
		return Mark{}, err
	}
	if b.WavelengthNM > 700 {
		return Mark{}, fmt.Errorf("%w: %g nm", ErrAlignment, b.WavelengthNM)
	}
	return mark("RB", b.MaxPowerW/area(b.DiameterMM/1000), 3, 5)
}

func mark(letters string, density, less float64, most int) (Mark, error) {
	// Compared before it becomes an integer, which a density without end has none of.
	n := max(1, math.Ceil(math.Log10(density)-less-1e-9))
	if !(n <= float64(most)) {
		return Mark{}, fmt.Errorf("%w: %.3g W/m² would need %s%.0f", ErrMarkRange, density, letters, n)
	}
	return Mark{letters, int(n), density}, nil
}

// Line is one wavelength range of a pair's printed marking.
type Line struct {
	FromNM, ToNM float64
	OD           float64 // 0 where none is printed
	Modes        string  // letters of EN 207: D continuous wave, I, R, M pulsed; empty where none is printed
	LB           int     // 0 where none is printed
	RB           int     // alignment; 0 where none is printed
}

// Eyewear is one pair as its marking and its last look describe it.
type Eyewear struct {
	Lines     []Line
	Scratched bool // or cracked, bleached, coming apart
	Illegible bool // the marking cannot be read
}

// Verdict is what a marking says about a beam.
type Verdict string

// The three verdicts. CannotSay bars like DoesNotFit: the person in charge of laser safety decides.
const (
	Fits       Verdict = "fits"
	DoesNotFit Verdict = "does not fit"
	CannotSay  Verdict = "cannot say"
)

// Needs is what a pair must carry for a beam.
type Needs struct {
	Direct OD   // for an accidental look into the beam, 10 s
	Watch  OD   // for watching the scattered light of a working day; what the LB scale leaves out for blue
	LB     Mark // for a direct hit
}

// NeedsOf computes what eyewear must carry. Errors wrap those of this package.
func NeedsOf(b Beam) (Needs, error) {
	n, err := densities(b)
	if err != nil {
		return Needs{}, err
	}
	if n.LB, err = LB(b); err != nil {
		return Needs{}, err
	}
	return n, nil
}

// Density is the density that eyewear must carry for a beam whose diameter nobody knows: what NeedsOf
// has without the scale number. Errors wrap those of this package.
func Density(b Beam) (OD, error) {
	n, err := densities(b)
	return n.OD(), err
}

// densities are those of a direct look and of a working day. From 400 to 600 nm the limit of a long look
// lies up to ten times below the 10 W/m² on which the LB numbers are built, so the density for it counts
// too.
func densities(b Beam) (Needs, error) {
	direct, err := RequiredOD(b, EyewearS)
	if err != nil {
		return Needs{}, err
	}
	n := Needs{Direct: direct, Watch: direct}
	if b.WavelengthNM <= 600 {
		if n.Watch, err = RequiredOD(b, WorkingDayS); err != nil {
			return Needs{}, err
		}
	}
	return n, nil
}

// OD is the density that the pair must carry: the greater of both.
func (n Needs) OD() OD {
	if n.Watch.Exact > n.Direct.Exact {
		return n.Watch
	}
	return n.Direct
}

// mostOD and mostLB are where no marking is enough by itself; common practice, no source.
const (
	mostOD = 6
	mostLB = 8
)

// CheckEyewear holds a pair's marking against a beam: the wavelength lies in a marked range, the mode
// letter is D, and both LB number and density reach what is needed. The reasons are all that were
// found. A marking without LB number is a cannot say: a filter that bleaches or bursts in the beam has
// no density. Errors are those of the beam.
func CheckEyewear(pair Eyewear, b Beam) (Verdict, []string, error) {
	needs, err := NeedsOf(b)
	if errors.Is(err, ErrMarkRange) {
		return CannotSay, []string{err.Error()}, nil
	}
	if err != nil {
		return CannotSay, nil, err
	}
	switch {
	case pair.Illegible || len(pair.Lines) == 0:
		return CannotSay, []string{"the marking is missing or cannot be read"}, nil
	case pair.Scratched:
		return DoesNotFit, []string{"the pair is scratched or damaged: take it out of use"}, nil
	}
	if needs.OD().Exact > mostOD || needs.LB.N > mostLB {
		return CannotSay, []string{fmt.Sprintf("OD %.1f and %s are beyond what a marking alone decides: ask the person in charge of laser safety",
			needs.OD().Shown, needs.LB)}, nil
	}
	best, why := DoesNotFit, []string{fmt.Sprintf("no marked range holds %g nm", b.WavelengthNM)}
	for _, line := range pair.Lines {
		if !(line.FromNM <= b.WavelengthNM && b.WavelengthNM <= line.ToNM) {
			continue
		}
		verdict, reasons := line.check(needs)
		if verdict == Fits {
			return Fits, nil, nil
		}
		if best != CannotSay {
			best, why = verdict, reasons
		}
	}
	return best, why, nil
}

func (l Line) check(n Needs) (Verdict, []string) {
	var no, unknown []string
	if l.RB > 0 && l.LB == 0 {
		no = append(no, fmt.Sprintf("RB%d is for aligning only, never for running a job", l.RB))
	}
	if l.OD > 0 && l.OD < n.OD().Exact {
		no = append(no, fmt.Sprintf("OD %g is marked, OD %.1f is needed (%s, %s limit)", l.OD, n.OD().Shown, Edition, n.OD().Limit.Mechanism))
	}
	switch {
	case l.LB > 0 && l.LB < n.LB.N:
		no = append(no, fmt.Sprintf("LB%d is marked, %s is needed for a direct hit", l.LB, n.LB))
	case l.LB == 0 && l.RB == 0:
		unknown = append(unknown, "no LB number is marked, so nothing says that the filter survives a direct hit")
	}
	if l.LB > 0 && !strings.Contains(l.Modes, "D") {
		if l.Modes == "" {
			unknown = append(unknown, "no mode letter is marked")
		} else {
			no = append(no, fmt.Sprintf("it is marked for mode %s, a continuous-wave beam needs D", l.Modes))
		}
	}
	// LBn by itself means a transmittance of at most 10^-n.
	if l.OD == 0 && l.LB > 0 && float64(l.LB) < n.OD().Exact {
		no = append(no, fmt.Sprintf("LB%d alone stands for OD %d, OD %.1f is needed (%s, %s limit)", l.LB, l.LB, n.OD().Shown, Edition, n.OD().Limit.Mechanism))
	}
	switch {
	case len(no) > 0:
		return DoesNotFit, append(no, unknown...)
	case len(unknown) > 0:
		return CannotSay, unknown
	}
	return Fits, nil
}
