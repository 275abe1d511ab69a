package route

import (
	"fmt"
	"math"
	"syscall"
	"testing"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// brisk is a machine with unlike axes, as home-built ones are.
var brisk = motion.Limits{TravelUMPerS: 300_000, AccelXUMPerS2: 3_000_000, AccelYUMPerS2: 1_500_000}

// plates are outlines in a grid, each a polygon of some corners with round holes of some corners;
// which of them come where in the list is mixed up.
func plates(n, holes, corners int) (items []Item, parents []int) {
	ring := func(x, y, r float64) []geom.Point {
		var out []geom.Point
		for k := range corners {
			a := 2 * math.Pi * float64(k) / float64(corners)
			out = append(out, geom.Pt(int64(math.Round(x+r*math.Cos(a))), int64(math.Round(y+r*math.Sin(a)))))
		}
		return out
	}
	side := int(math.Ceil(math.Sqrt(float64(n))))
	for i := range n {
		x, y := float64(i%side)*20_000, float64(i/side)*20_000+float64(i*7%5)*300
		outline := len(items)
		items = append(items, Item{Closed: true, Entries: ring(x, y, 9_000)})
		parents = append(parents, -1)
		for h := range holes {
			a := 2*math.Pi*float64(h)/float64(holes) + float64(i)
			items = append(items, Item{Closed: true, Entries: ring(x+6_000*math.Cos(a), y+6_000*math.Sin(a), 1_000+float64(h*i%7)*100)})
			parents = append(parents, outline)
		}
	}
	return items, parents
}

// processor is the time that this process has spent on a core: other load does not count.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkGaps prints the gaps to the published optima, without kicks, with ten and with twenty an
// item, and the processor's seconds.
func BenchmarkGaps(b *testing.B) {
	all := instances(b)
	for b.Loop() {
		for _, per := range []int{0, 1, 10, 20} {
			var sum, worst float64
			for _, in := range all {
				items, o := in.problem()
				o.Steps = per * len(items)
				from := processor()
				visits, err := Order(items, nil, o)
				if err != nil {
					b.Fatal(err)
				}
				took := (processor() - from).Seconds()
				g := in.gap(visits)
				sum, worst = sum+g, max(worst, g)
				fmt.Printf("%2d kicks an item  %-9s optimum %6d  length %9.0f  gap %5.2f %%  %.3f s, %.3f s per 1000\n",
					per, in.name, in.optimum, math.Round(float64(in.optimum)*(1+g/100)), g, took, took*1000/float64(len(in.x)))
			}
			fmt.Printf("%2d kicks an item: mean gap %.2f %%, worst %.2f %%\n", per, sum/float64(len(all)), worst)
		}
	}
}

// BenchmarkGrowth prints how the time grows when there is four times as much to do, at the same
// number of kicks an item.
func BenchmarkGrowth(b *testing.B) {
	for b.Loop() {
		for _, per := range []int{0, 2} {
			before := 0.0
			for _, n := range []int{400, 1_600, 6_400, 25_600} {
				items, parents := plates(n/4, 3, 24)
				from := processor()
				visits, err := Order(items, parents, Options{Cost: Time(brisk), Steps: per * n})
				if err != nil {
					b.Fatal(err)
				}
				took := (processor() - from).Seconds()
				travel := float64(Travel(items, visits, Options{Cost: Time(brisk)})) / 1e9
				fmt.Printf("%d kicks an item  %6d items  %.3f s, %.2f times the size before, travel %.1f s\n", per, n, took, took/before, travel)
				before = took
			}
		}
	}
}

// BenchmarkOrder2k orders two thousand contours of five corners and more without kicks: the share
// of ordering in planning ten thousand segments.
func BenchmarkOrder2k(b *testing.B) {
	items, parents := plates(500, 3, 5)
	from := processor()
	for b.Loop() {
		if _, err := Order(items, parents, Options{Cost: Time(brisk)}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric((processor()-from).Seconds()*1000/float64(b.N), "core-ms/op")
}

// BenchmarkOrder100k orders a hundred thousand small contours in a large one.
func BenchmarkOrder100k(b *testing.B) {
	var items []Item
	var parents []int
	for i := range int64(100_000) {
		x, y := i%400*2_000+(i*i)%700, i/400*2_000+(i*7)%900
		items = append(items, Item{Closed: true, Entries: []geom.Point{geom.Pt(x, y), geom.Pt(x+900, y), geom.Pt(x+900, y+900), geom.Pt(x, y+900)}})
		parents = append(parents, 100_000)
	}
	items = append(items, Item{Closed: true, Entries: []geom.Point{geom.Pt(-10, -10), geom.Pt(900_000, -10), geom.Pt(900_000, 900_000), geom.Pt(-10, 900_000)}})
	parents = append(parents, -1)
	from := processor()
	for b.Loop() {
		if _, err := Order(items, parents, Options{Cost: Time(brisk)}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric((processor()-from).Seconds()*1000/float64(b.N), "core-ms/op")
}
