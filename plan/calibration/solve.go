package calibration

import (
	"errors"
	"math"
)

// errDependent is returned where the rows do not determine every unknown.
var errDependent = errors.New("the rows do not determine every unknown")

// solution is that of a linear least-squares problem.
type solution struct {
	x         []float64
	residuals []float64   // b − A·x
	inverse   [][]float64 // of AᵀA
	leverage  []float64   // diagonal of A·(AᵀA)⁻¹·Aᵀ: how much each row decides about itself
}

// squares is the sum of the squared residuals.
func (s solution) squares() float64 {
	sum := 0.0
	for _, r := range s.residuals {
		sum += float64(r * r)
	}
	return sum
}

// solve finds the x for which A·x comes nearest to b, by Householder's reflections (Golub and Van Loan,
// Matrix Computations, from memory; the tests hold it to certified values and to a library). Errors:
// errDependent.
func solve(a [][]float64, b []float64) (solution, error) {
	rows, n := len(a), 0
	if rows > 0 {
		n = len(a[0])
	}
	if rows < n || n == 0 {
		return solution{}, errDependent
	}
	r := make([][]float64, rows) // becomes R, with Qᵀb beside it
	for i := range a {
		r[i] = append(append(make([]float64, 0, n+1), a[i]...), b[i])
	}
	scale := make([]float64, n) // of each column
	for k := range n {
		for i := range rows {
			scale[k] = math.Hypot(scale[k], a[i][k])
		}
	}
	for k := range n {
		if !reflect(r, k, scale[k]) {
			return solution{}, errDependent
		}
	}
	s := solution{x: back(r, n), residuals: make([]float64, rows), leverage: make([]float64, rows)}
	root := upperInverse(r, n)
	s.inverse = make([][]float64, n)
	for i := range n {
		s.inverse[i] = make([]float64, n)
		for j := range n {
			for k := max(i, j); k < n; k++ {
				s.inverse[i][j] += float64(root[i][k] * root[j][k])
			}
		}
	}
	for i, row := range a {
		s.residuals[i] = b[i] - dot(row, s.x)
		for k := range n { // (A·R⁻¹) has orthonormal columns
			q := 0.0
			for j := 0; j <= k; j++ {
				q += float64(row[j] * root[j][k])
			}
			s.leverage[i] += float64(q * q)
		}
	}
	return s, nil
}

// reflect clears column k below its diagonal; false where nothing is left of it.
func reflect(r [][]float64, k int, scale float64) bool {
	norm := 0.0
	for i := k; i < len(r); i++ {
		norm = math.Hypot(norm, r[i][k])
	}
	if norm <= 1e-10*scale || scale == 0 {
		return false
	}
	if r[k][k] > 0 {
		norm = -norm
	}
	v := make([]float64, len(r)-k)
	for i := range v {
		v[i] = r[k+i][k]
	}
	v[0] -= norm
	square := dot(v, v)
	for j := k; j < len(r[k]); j++ {
		sum := 0.0
		for i := range v {
			sum += float64(v[i] * r[k+i][j])
		}
		share := 2 * sum / square
		for i := range v {
			r[k+i][j] -= float64(share * v[i])
		}
	}
	return true
}

// back solves R·x for the column beside R.
func back(r [][]float64, n int) []float64 {
	x := make([]float64, n)
	for k := n - 1; k >= 0; k-- {
		left := r[k][n]
		for j := k + 1; j < n; j++ {
			left -= float64(r[k][j] * x[j])
		}
		x[k] = left / r[k][k]
	}
	return x
}

// upperInverse is R⁻¹.
func upperInverse(r [][]float64, n int) [][]float64 {
	out := make([][]float64, n)
	for i := range out {
		out[i] = make([]float64, n)
	}
	for k := range n {
		out[k][k] = 1 / r[k][k]
		for i := k - 1; i >= 0; i-- {
			sum := 0.0
			for j := i + 1; j <= k; j++ {
				sum += float64(r[i][j] * out[j][k])
			}
			out[i][k] = -sum / r[i][i]
		}
	}
	return out
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += float64(a[i] * b[i])
	}
	return sum
}
