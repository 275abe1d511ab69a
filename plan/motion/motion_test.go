package motion

import (
	"math"
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

func near(t testing.TB, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.7f, want %.7f within %g", what, got, want, within)
	}
}

// TestRestToRest checks published exercises. N4.1: a motion maker's handbook (g = 9.8 m/s²);
// N4.2: lift problem (Knight); N4.3: physicsforums thread 637767 (it rounds t1 first, own 154.92);
// N4.4: askanewquestion 1100560 (rounded there, own 60.55); N4.5, N4.6: jiskha 737875 and 960998.
func TestRestToRest(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name           string
		d, v, up, down float64
		want, within   float64
	}{
		{"N4.1 in mm", 100, 400, 1960, 4900, 0.393, 0.0005},
		{"N4.1 own digits", 100, 400, 1960, 4900, 0.39286, 0.000005},
		{"N4.2", 200, 5, 1, 1, 45.0, 1e-9},
		{"N4.3", 1000, math.Inf(1), 0.1, 0.5, 154.92, 0.005},
		{"N4.4", 1100, math.Inf(1), 1.2, 1.2, 60.55, 0.005},
		{"N4.5: up in 150 s to 38 m/s, down in 200 s, 10 450 m", 10_450, 38, 38.0 / 150, 38.0 / 200, 450, 1e-6},
		{"N4.6: 5, 35 and 5 s over 320 m", 320, 8, 1.6, 1.6, 45, 1e-9},
		{"nowhere", 0, 5, 1, 1, 0, 0},
	} {
		near(t, tc.name, RestToRest(tc.d, tc.v, tc.up, tc.down), tc.want, tc.within)
	}
	// N4.1: below 57.1 mm the speed of 400 mm/s is never reached.
	near(t, "ramps of N4.1", 400.0*400/(2*1960)+400.0*400/(2*4900), 57.1, 0.05)
	if RestToRest(57, 400, 1960, 4900) != RestToRest(57, 1e9, 1960, 4900) {
		t.Error("57 mm should not reach 400 mm/s")
	}
}

// TestCornerSpeed: N4.7, a 1000 mm/s², δ 0.015 mm (own values of the formula, worked out apart
// from this code).
func TestCornerSpeed(t *testing.T) {
	t.Parallel()
	for deg, want := range map[float64]float64{
		10: 62.66, 30: 20.62, 45: 13.49, 60: 9.847, 90: 6.018, 120: 3.873, 135: 3.049, 150: 2.289,
	} {
		near(t, "corner", CornerSpeed(deg*math.Pi/180, 0.015, 1000, -1), want, 0.0006*want)
	}
	if v := CornerSpeed(0, 0.015, 1000, 1); !math.IsInf(v, 1) {
		t.Errorf("straight on: %v", v)
	}
	near(t, "back", CornerSpeed(math.Pi, 0.015, 1000, -1), 0, 1e-3)
	// The arc must end within half of the shorter line: R = 1 at 90° and 2 mm.
	near(t, "short lines", CornerSpeed(math.Pi/2, 100, 1000, 2), math.Sqrt(1000), 1e-9)
}

// TestSpeedStep: N4.8. Own values of v = J/(2·sin(φ/2)), the speed at which the velocity changes by
// no more than J = 6 mm/s. The rule is another one than the arc's; for the tolerance at which both
// allow the same at 60° (6 mm/s: δ = R·(1 − cos φ/2)/cos φ/2, R = v²/a) the arc's speed must lie above it
// for flatter and below it for sharper turns.
func TestSpeedStep(t *testing.T) {
	t.Parallel()
	const accel, step = 1000.0, 6.0
	half := math.Cos(math.Pi / 6)
	tolerance := 36 / accel * (1 - half) / half
	for deg, want := range map[float64]float64{10: 34.42, 30: 11.59, 45: 7.839, 60: 6, 90: 4.243, 120: 3.464, 135: 3.247, 150: 3.106} {
		turn := deg * math.Pi / 180
		v := step / (2 * math.Sin(turn/2))
		near(t, "speed step", v, want, 0.0006*want)
		arc := CornerSpeed(turn, tolerance, accel, -1)
		if deg < 60 && arc < v || deg > 60 && arc > v || deg == 60 && math.Abs(arc-6) > 1e-9 {
			t.Errorf("%g°: arc %.4f, step %.4f", deg, arc, v)
		}
	}
}

// TestAxisSpeeds: 300 mm along x at no more than 100 mm/s take 3.1 s at 1 m/s² though 200 mm/s are
// asked for; a slope of 3:4 is held back by the axis that is at its bound: 100 mm/s along y are 125
// along the way (own: T = d/v + v/a with a = 1/0.8).
func TestAxisSpeeds(t *testing.T) {
	t.Parallel()
	l := square
	l.SpeedXUMPerS, l.SpeedYUMPerS = 100_000, 100_000
	near(t, "along x", float64(l.StrokeMicros([]geom.Point{{}, geom.Pt(300_000, 0)}, 200_000))/1e6, 3.1, 2e-6)
	near(t, "3:4", float64(l.StrokeMicros([]geom.Point{{}, geom.Pt(180_000, 240_000)}, 200_000))/1e6, 300.0/125+125.0/1250, 2e-6)
	near(t, "travel", l.TravelTime(300_000, 0), 3.1, 1e-9)
}

var square = Limits{TravelUMPerS: 200_000, AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 1_000_000, CornerUM: 10}

// TestTwoLegs: two legs of 50 mm at 90°, a 1000 mm/s², v 200 mm/s, δ 0.01 mm take 0.890294 s, and
// 0.900000 s with a stop at the corner (own, worked out apart from this code).
func TestTwoLegs(t *testing.T) {
	t.Parallel()
	legs := []geom.Point{{}, geom.Pt(50_000, 0), geom.Pt(50_000, 50_000)}
	near(t, "with the corner", float64(square.StrokeMicros(legs, 200_000))/1e6, 0.890294, 2e-6)
	stop := square
	stop.CornerUM = 0
	near(t, "with a stop", float64(stop.StrokeMicros(legs, 200_000))/1e6, 0.9, 2e-6)
}

// TestCircle: r 5 mm at a 1000 mm/s² allows √(a·r) = 70.71 mm/s, 0.4443 s a turn (own).
func TestCircle(t *testing.T) {
	t.Parallel()
	l := square
	l.CornerUM = 100
	turns := func(n int) (points []geom.Point) {
		for i := range 48*n + 1 {
			a := 2 * math.Pi * float64(i) / 48
			points = append(points, geom.Pt(int64(math.Round(5000*math.Cos(a))), int64(math.Round(5000*math.Sin(a)))))
		}
		return points
	}
	for _, m := range l.profile(turns(3), 200_000) {
		if m.in > 70_710*1.01 {
			t.Fatalf("corner speed %.0f µm/s", m.in)
		}
	}
	one := float64(l.StrokeMicros(turns(30), 70_710)-l.StrokeMicros(turns(10), 70_710)) / 20e6
	near(t, "a turn", one, 0.4443, 0.4443*0.01)
}

// path draws random polylines; step keeps lengths in the range of real drawings.
func path(t *rapid.T, most int) []geom.Point {
	n := rapid.IntRange(2, most).Draw(t, "points")
	points := make([]geom.Point, n)
	at := geom.Point{}
	for i := range points {
		points[i] = at
		at = at.Add(geom.Pt(rapid.Int64Range(-20_000, 20_000).Draw(t, "dx"), rapid.Int64Range(-20_000, 20_000).Draw(t, "dy")))
	}
	return points
}

func limits(t *rapid.T) Limits {
	l := Limits{
		TravelUMPerS:  rapid.Int64Range(1_000, 500_000).Draw(t, "travel"),
		AccelXUMPerS2: rapid.Int64Range(50_000, 5_000_000).Draw(t, "ax"),
		AccelYUMPerS2: rapid.Int64Range(50_000, 5_000_000).Draw(t, "ay"),
		CornerUM:      rapid.Int64Range(0, 100).Draw(t, "corner"),
	}
	if rapid.Bool().Draw(t, "axis speeds") {
		l.SpeedXUMPerS = rapid.Int64Range(1_000, 300_000).Draw(t, "vx")
		l.SpeedYUMPerS = rapid.Int64Range(1_000, 300_000).Draw(t, "vy")
	}
	return l
}

func TestInvariants(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l, points := limits(t), path(t, 30)
		speed := rapid.Int64Range(500, 400_000).Draw(t, "speed")
		slack := int64(len(points)) // each move is rounded to a whole microsecond
		time := l.StrokeMicros(points, speed)

		back := slices.Clone(points)
		slices.Reverse(back)
		if r := l.StrokeMicros(back, speed); r-time > slack || time-r > slack {
			t.Fatalf("reversed: %d and %d µs", time, r)
		}
		var length float64
		for i := 1; i < len(points); i++ {
			length += geom.Distance(points[i-1], points[i])
		}
		if least := length / float64(speed) * 1e6; float64(time) < least-float64(slack) {
			t.Fatalf("%d µs is less than length over speed, %.0f µs", time, least)
		}
		faster := l
		faster.AccelXUMPerS2 *= 2
		faster.AccelYUMPerS2 *= 2
		if f := l.StrokeMicros(points, speed); f > time+slack {
			t.Fatalf("more acceleration: %d over %d µs", f, time)
		}
		if f := faster.StrokeMicros(points, speed); f > time+slack {
			t.Fatalf("more acceleration: %d over %d µs", f, time)
		}
		k := rapid.Int64Range(2, 9).Draw(t, "k")
		big := l
		for _, v := range []*int64{&big.TravelUMPerS, &big.AccelXUMPerS2, &big.AccelYUMPerS2, &big.CornerUM, &big.SpeedXUMPerS, &big.SpeedYUMPerS} {
			*v *= k
		}
		scaled := make([]geom.Point, len(points))
		for i, p := range points {
			scaled[i] = geom.Pt(p.X*k, p.Y*k)
		}
		if s := big.StrokeMicros(scaled, speed*k); s-time > slack || time-s > slack {
			t.Fatalf("scaled by %d: %d and %d µs", k, time, s)
		}
	})
}

// TestSplitStraightMove: points in the middle of straight moves change no time.
func TestSplitStraightMove(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l, points := limits(t), path(t, 12)
		speed := rapid.Int64Range(500, 400_000).Draw(t, "speed")
		var whole, split []geom.Point
		for i, p := range points {
			p = geom.Pt(p.X*6, p.Y*6)
			if i > 0 {
				from := whole[len(whole)-1]
				d := p.Sub(from)
				for _, part := range []int64{2, 3, 5} {
					split = append(split, from.Add(geom.Pt(d.X/6*part, d.Y/6*part)))
				}
			}
			whole, split = append(whole, p), append(split, p)
		}
		if a, b := l.StrokeMicros(whole, speed), l.StrokeMicros(split, speed); a != b {
			t.Fatalf("%d and %d µs", a, b)
		}
	})
}

// TestSpeedsAreReachable: neighbouring moves agree on their speed, and no move changes speed
// faster than its acceleration or runs faster than it is set.
func TestSpeedsAreReachable(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l, points := limits(t), path(t, 40)
		speed := rapid.Int64Range(500, 400_000).Draw(t, "speed")
		moves := l.profile(points, speed)
		for i, m := range moves {
			want := 0.0
			if i > 0 {
				want = moves[i-1].out
			}
			if m.in != want {
				t.Fatalf("move %d begins with %v after %v", i, m.in, want)
			}
			if m.peak > float64(speed)*(1+1e-12) {
				t.Fatalf("move %d: %v over %d", i, m.peak, speed)
			}
			room := 2 * m.accel * m.length
			if m.peak*m.peak-m.in*m.in+m.peak*m.peak-m.out*m.out > room*(1+1e-9)+1e-3 {
				t.Fatalf("move %d: no room for %v → %v → %v", i, m.in, m.peak, m.out)
			}
			// a and v along the move must not exceed either axis.
			dx, dy := math.Abs(float64(m.to.X-m.from.X))/m.length, math.Abs(float64(m.to.Y-m.from.Y))/m.length
			if l.SpeedXUMPerS > 0 && max(m.peak*dx-float64(l.SpeedXUMPerS), m.peak*dy-float64(l.SpeedYUMPerS)) > 1e-6*m.peak {
				t.Fatalf("move %d: an axis is too fast", i)
			}
			if m.accel*dx > float64(l.AccelXUMPerS2)*(1+1e-9) || m.accel*dy > float64(l.AccelYUMPerS2)*(1+1e-9) {
				t.Fatalf("move %d: acceleration", i)
			}
		}
		if n := len(moves); n > 0 && moves[n-1].out != 0 {
			t.Fatal("does not end at rest")
		}
	})
}

// TestTravelTimeGrows: the search for the nearest line relies on it.
func TestTravelTimeGrows(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := limits(t)
		x, y := rapid.Int64Range(0, 500_000).Draw(t, "x"), rapid.Int64Range(0, 500_000).Draw(t, "y")
		dx, dy := rapid.Int64Range(0, 100_000).Draw(t, "dx"), rapid.Int64Range(0, 100_000).Draw(t, "dy")
		if a, b := l.TravelTime(x, y), l.TravelTime(x+dx, y+dy); a > b*(1+1e-12) {
			t.Fatalf("%v for (%d, %d), %v for (%d, %d)", a, x, y, b, x+dx, y+dy)
		}
	})
}
