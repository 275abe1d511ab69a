package calibration

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/mat"
)

// TestN6_Certified: the certified values of NIST's Statistical Reference Datasets, linear regression,
// "NoInt1": a line through the origin.
func TestN6_Certified(t *testing.T) {
	t.Parallel()
	var a [][]float64
	var b []float64
	for i := range 11 {
		a, b = append(a, []float64{float64(60 + i)}), append(b, float64(130+i))
	}
	s, err := solve(a, b)
	if err != nil {
		t.Fatal(err)
	}
	sd := math.Sqrt(s.squares() / float64(len(b)-1) * s.inverse[0][0])
	if math.Abs(s.x[0]-2.07438016528926) > 1e-13 || math.Abs(sd-0.0165289256198347) > 1e-14 {
		t.Errorf("slope %.15g, standard deviation %.15g", s.x[0], sd)
	}
}

// TestSolveAgreesWithLibrary holds solutions, covariance and leverage of random problems to those of a
// numerical library (gonum.org/v1/gonum/mat, its QR and its inverse).
func TestSolveAgreesWithLibrary(t *testing.T) {
	t.Parallel()
	rnd := rand.New(rand.NewPCG(6, 1))
	for range 300 {
		n := 1 + rnd.IntN(5)
		rows := n + rnd.IntN(8)
		a, b := make([][]float64, rows), make([]float64, rows)
		dense := mat.NewDense(rows, n, nil)
		for i := range rows {
			a[i] = make([]float64, n)
			b[i] = rnd.NormFloat64() * 1e3
			for k := range n {
				a[i][k] = rnd.NormFloat64() * math.Pow(10, float64(k)) // columns of very different size
				dense.Set(i, k, a[i][k])
			}
		}
		s, err := solve(a, b)
		if err != nil {
			t.Fatal(err)
		}
		var x, square, inverse, half, hat mat.Dense
		if err := x.Solve(dense, mat.NewVecDense(rows, b)); err != nil {
			t.Fatal(err)
		}
		square.Mul(dense.T(), dense)
		if err := inverse.Inverse(&square); err != nil {
			t.Skip(err) // the normal equations are the library's weak side
		}
		half.Mul(dense, &inverse)
		hat.Mul(&half, dense.T())
		for k := range n {
			if !near(s.x[k], x.At(k, 0), 1e-6) {
				t.Fatalf("x[%d] %g, the library's %g", k, s.x[k], x.At(k, 0))
			}
			for j := range n {
				size := math.Sqrt(math.Abs(inverse.At(k, k) * inverse.At(j, j)))
				if math.Abs(s.inverse[k][j]-inverse.At(k, j)) > 1e-5*size {
					t.Fatalf("inverse[%d][%d] %g, the library's %g", k, j, s.inverse[k][j], inverse.At(k, j))
				}
			}
		}
		for i := range rows {
			if math.Abs(s.leverage[i]-hat.At(i, i)) > 1e-5 {
				t.Fatalf("leverage %g, the library's %g", s.leverage[i], hat.At(i, i))
			}
		}
	}
}

func near(a, b, share float64) bool {
	return math.Abs(a-b) <= share*max(math.Abs(a), math.Abs(b), 1e-9)
}

// TestSolveRefusesWhatIsOpen: rows that leave an unknown open are no solution.
func TestSolveRefusesWhatIsOpen(t *testing.T) {
	t.Parallel()
	for name, a := range map[string][][]float64{
		"nothing": nil, "too few": {{1, 2}}, "no column": {{0, 1}, {0, 2}}, "twice the same": {{1, 2}, {2, 4}, {3, 6}},
	} {
		if _, err := solve(a, make([]float64, len(a))); !errors.Is(err, errDependent) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestFitAgreesWithLibrary: the same readings, fitted by a library's QR (gonum.org/v1/gonum/mat) with slopes
// taken by its finite differences (gonum.org/v1/gonum/diff/fd), end at the same numbers.
func TestFitAgreesWithLibrary(t *testing.T) {
	t.Parallel()
	rnd := rand.New(rand.NewPCG(6, 2))
	for range 50 {
		p, _ := New(100_000, 80_000)
		readings := draw(rnd).read(p, rnd, 20)
		r, err := Fit(p, readings, Instrument{UncertainUM: 40})
		if err != nil {
			t.Fatal(err)
		}
		taken, err := p.observed(readings)
		if err != nil {
			t.Fatal(err)
		}
		off := func(y, v []float64) { // v in thousandths, mrad and µm
			for i, o := range taken {
				um, _ := o.model([unknowns]float64{1 + v[0]/1e3, 1 + v[1]/1e3, v[2] / 1e3, v[3], v[4]})
				y[i] = o.um - um
			}
		}
		x, y := make([]float64, unknowns), make([]float64, len(taken))
		for range 10 {
			jacobian := mat.NewDense(len(taken), unknowns, nil)
			fd.Jacobian(jacobian, off, x, &fd.JacobianSettings{Formula: fd.Central})
			off(y, x)
			var step mat.Dense
			if err := step.Solve(jacobian, mat.NewVecDense(len(y), y)); err != nil {
				t.Fatal(err)
			}
			for k := range x {
				x[k] -= step.At(k, 0)
			}
		}
		for k, e := range []Estimate{r.ScaleX, r.ScaleY, r.Squareness, r.BacklashX, r.BacklashY} {
			unit := []float64{1e3, 1e3, 1e3, 1, 1}[k]
			if math.Abs(x[k]*unit-e.Value) > 1e-3 {
				t.Errorf("unknown %d: %g, the library finds %g", k, e.Value, x[k]*unit)
			}
		}
	}
}
