package calibration

import (
	"errors"
	"fmt"
	"math"
)

// Instrument is what the distances were read with.
type Instrument struct {
	// UncertainUM is how far a reading may be off (k = 2): the caliper's own error and that of laying it
	// to the edge of a line.
	UncertainUM int64 `json:"uncertain_um"`
	// StepUM is what the machine resolves: marks lie up to half of it beside their places.
	StepUM int64 `json:"step_um"`
}

// DefaultUncertainUM is what a person with a good caliper comes to on a thin line: own choice, of which
// the caliper's own limit of error is the lesser part.
const DefaultUncertainUM = 60

// sigma is the standard deviation of a distance: the reading, and two marks that are rounded evenly to steps.
func (i Instrument) sigma() float64 {
	half, step := float64(i.UncertainUM)/2, float64(i.StepUM)
	return math.Sqrt(float64(half*half) + float64(step*step)/6)
}

// Reading is what was measured of one distance: once or several times; none means that it was left out.
type Reading struct {
	Distance string  `json:"distance"`
	UM       []int64 `json:"um"`
}

// Estimate is a number with its expanded uncertainty (k = 2, about 95 in 100).
type Estimate struct {
	Value     float64 `json:"value"`
	Uncertain float64 `json:"uncertain"`
}

// Clear says whether the value stands out of its uncertainty.
func (e Estimate) Clear() bool { return math.Abs(e.Value) > e.Uncertain }

// Residual is how far one distance lies from what the fit makes of it.
type Residual struct {
	Distance   string  `json:"distance"`
	MeasuredUM float64 `json:"measured_um"` // mean of its readings
	FittedUM   float64 `json:"fitted_um"`
	// Normal is the residual in units of its own standard deviation. Over Outlying it is not chance.
	Normal float64 `json:"normal"`
}

// UM is measured less fitted.
func (r Residual) UM() float64 { return r.MeasuredUM - r.FittedUM }

// Outlying is how large a normal residual may be: one in a thousand is larger by chance. It is the
// critical value of Baarda's test of single observations in adjustments (1968; from memory).
const Outlying = 3.29

// Result is what was found: scale and squareness of the machine itself, since the pattern is drawn without
// making up for them; of backlash what is left over under the profile that drew it.
type Result struct {
	Pattern    Pattern    `json:"pattern"`
	Instrument Instrument `json:"instrument"`
	ScaleX     Estimate   `json:"scale_x_ppm"` // how much farther than told, in millionths
	ScaleY     Estimate   `json:"scale_y_ppm"`
	Squareness Estimate   `json:"squareness_urad"` // by how much the y axis leans towards +x
	BacklashX  Estimate   `json:"backlash_x_um"`
	BacklashY  Estimate   `json:"backlash_y_um"`
	Residuals  []Residual `json:"residuals"`
	// SpreadUM is the standard deviation of single distances as the residuals show it, ExpectedUM as the
	// instrument makes it. The uncertainties are reckoned from the greater.
	SpreadUM   float64 `json:"spread_um"`
	ExpectedUM float64 `json:"expected_um"`
	Spare      int     `json:"spare"` // distances more than unknowns
	// Outlier is the distance that fits worst, where that is not chance; else empty.
	Outlier string `json:"outlier,omitempty"`
	// Covariance of scales (1), squareness (rad) and backlash (µm).
	Covariance [unknowns][unknowns]float64 `json:"covariance"`
}

// unknowns are scale x and y, squareness, backlash x and y.
const unknowns = 5

// LeastSpare is how many distances more than unknowns are wanted, so that a bad one shows.
const LeastSpare = 2

// Errors of Fit.
var (
	ErrFew     = fmt.Errorf("at least %d distances must be measured, and of each kind enough", unknowns+LeastSpare)
	ErrUnknown = errors.New("the pattern has no such distance")
	// ErrAbsurd is returned for a reading that is no reading of its distance: more than a twentieth off.
	ErrAbsurd = errors.New("a reading is more than 5 % off its distance: measure it again, or look whether it was typed in mm")
)

// Fit finds scale, squareness and backlash from readings by least squares, each distance weighed by how
// often it was read. Errors: ErrFew, ErrUnknown, ErrAbsurd.
func Fit(p Pattern, readings []Reading, with Instrument) (Result, error) {
	out := Result{Pattern: p, Instrument: with, ExpectedUM: with.sigma()}
	taken, err := p.observed(readings)
	if err != nil {
		return out, err
	}
	if len(taken) < unknowns+LeastSpare {
		return out, ErrFew
	}
	out.Spare = len(taken) - unknowns
	x := [unknowns]float64{1, 1}
	var s solution
	for range 6 { // Gauss and Newton; the model is nearly linear, two would do
		a, b := make([][]float64, len(taken)), make([]float64, len(taken))
		for i, o := range taken {
			um, slope := o.model(x)
			a[i], b[i] = make([]float64, unknowns), float64(o.weight*(o.um-um))
			for k := range unknowns {
				a[i][k] = float64(o.weight * slope[k])
			}
		}
		if s, err = solve(a, b); err != nil {
			return out, ErrFew
		}
		for k := range unknowns {
			x[k] += s.x[k]
		}
	}
	out.fill(taken, x, s)
	return out, nil
}

// fill turns a solution into what is told.
func (r *Result) fill(taken []observation, x [unknowns]float64, s solution) {
	r.SpreadUM = math.Sqrt(s.squares() / float64(r.Spare))
	sigma := max(r.SpreadUM, r.ExpectedUM)
	worst := Outlying
	for i, o := range taken {
		um, _ := o.model(x)
		res := Residual{Distance: o.Name, MeasuredUM: o.um, FittedUM: um}
		// A distance that nothing else checks cannot lie beside its fit.
		if free := 1 - s.leverage[i]; free > 1e-6 && r.ExpectedUM > 0 {
			res.Normal = s.residuals[i] / (float64(r.ExpectedUM) * math.Sqrt(free))
		}
		if n := math.Abs(res.Normal); n > worst {
			worst, r.Outlier = n, o.Name
		}
		r.Residuals = append(r.Residuals, res)
	}
	for i := range unknowns {
		for k := range unknowns {
			r.Covariance[i][k] = float64(sigma*sigma) * s.inverse[i][k]
		}
	}
	of := func(k int, value, unit float64) Estimate {
		return Estimate{Value: value * unit, Uncertain: 2 * math.Sqrt(r.Covariance[k][k]) * unit}
	}
	r.ScaleX, r.ScaleY = of(0, x[0]-1, 1e6), of(1, x[1]-1, 1e6)
	r.Squareness = of(2, x[2], 1e6)
	r.BacklashX, r.BacklashY = of(3, x[3], 1), of(4, x[4], 1)
}

// observation is a distance with the mean of its readings.
type observation struct {
	Distance
	um     float64
	weight float64 // root of how many readings there are
}

// observed gathers what was read, in the pattern's order.
func (p Pattern) observed(readings []Reading) ([]observation, error) {
	given := make(map[string][]int64, len(readings))
	for _, r := range readings {
		given[r.Distance] = append(given[r.Distance], r.UM...)
	}
	var out []observation
	for _, d := range p.Distances() {
		read := given[d.Name]
		delete(given, d.Name)
		if len(read) == 0 {
			continue
		}
		sum := int64(0)
		for _, um := range read {
			if math.Abs(float64(um)-d.NominalUM()) > d.NominalUM()/20 {
				return nil, fmt.Errorf("%w: %s is %s mm", ErrAbsurd, d.Name, mm(um))
			}
			sum += um
		}
		n := float64(len(read))
		out = append(out, observation{Distance: d, um: float64(sum) / n, weight: math.Sqrt(n)})
	}
	for name := range given {
		return nil, fmt.Errorf("%w: %.20q", ErrUnknown, name)
	}
	return out, nil
}

// model is how long the distance comes out with given scales, squareness and backlash, and how that
// changes with each.
func (o observation) model(x [unknowns]float64) (um float64, slope [unknowns]float64) {
	sx, sy := x[0], x[1]
	sin, cos := math.Sincos(x[2])
	d := o.To.At.Sub(o.From.At)
	lx, ly := above(o.To.XFromAbove)-above(o.From.XFromAbove), above(o.To.YFromAbove)-above(o.From.YFromAbove)
	u, v := float64(d.X)+float64(x[3]*lx), float64(d.Y)+float64(x[4]*ly) // where the motors make the carriage go
	dx, dy := float64(sx*u)+float64(sy*float64(v*sin)), float64(sy*float64(v*cos))
	byX := [unknowns]float64{u, float64(v * sin), float64(sy * float64(v*cos)), float64(sx * lx), float64(sy * float64(ly*sin))}
	byY := [unknowns]float64{0, float64(v * cos), -float64(sy * float64(v*sin)), 0, float64(sy * float64(ly*cos))}
	switch o.Along {
	case AlongX:
		return dx, byX
	case AlongY:
		return dy, byY
	}
	um = math.Hypot(dx, dy)
	for k := range slope {
		slope[k] = (float64(dx*byX[k]) + float64(dy*byY[k])) / um
	}
	return um, slope
}

func above(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
