package route

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"kerfgate/plan/geom"
)

// instance is one file of TSPLIB (G. Reinelt, ORSA J. Computing 3 (1991) 376–384) with its
// published optimum.
type instance struct {
	name    string
	optimum int64
	x, y    []float64
}

var optimumRow = regexp.MustCompile(`(?m)^\| (\w+) \| (\d+) \| [^|]* \| (\d+) \|`)

// instances reads those that the folder's README lists with their optimum. Where the folder is
// missing the test is skipped, loudly.
func instances(tb testing.TB) []instance {
	tb.Helper()
	root := os.Getenv("KERFGATE_DATA")
	if root == "" {
		root = filepath.Join("..", "..", "..", "shared", "data")
	}
	dir := filepath.Join(root, "tsplib")
	readme, err := os.ReadFile(filepath.Join(dir, "README.md"))
	if err != nil {
		tb.Skipf("SKIPPED: no open data in %s; set KERFGATE_DATA to the folder that holds it", dir)
	}
	var out []instance
	for _, row := range optimumRow.FindAllStringSubmatch(string(readme), -1) {
		in := instance{name: row[1]}
		nodes, _ := strconv.Atoi(row[2])
		in.optimum, _ = strconv.ParseInt(row[3], 10, 64)
		f, err := os.Open(filepath.Join(dir, in.name+".tsp"))
		if err != nil {
			tb.Fatal(err)
		}
		lines := bufio.NewScanner(f)
		for lines.Scan() {
			words := strings.Fields(lines.Text())
			if len(words) != 3 {
				continue
			}
			_, err0 := strconv.Atoi(words[0])
			x, errX := strconv.ParseFloat(words[1], 64)
			y, errY := strconv.ParseFloat(words[2], 64)
			if err0 == nil && errX == nil && errY == nil {
				in.x, in.y = append(in.x, x), append(in.y, y)
			}
		}
		if err := f.Close(); err != nil {
			tb.Fatal(err)
		}
		if len(in.x) != nodes {
			tb.Fatalf("%s: read %d nodes, the table says %d", in.name, len(in.x), nodes)
		}
		out = append(out, in)
	}
	if len(out) != 15 {
		tb.Fatalf("read %d instances of 15", len(out))
	}
	return out
}

// problem is a closed tour as items: the first node is where the carriage starts and comes back to.
func (in instance) problem() ([]Item, Options) {
	at := func(i int) geom.Point {
		return geom.Pt(int64(math.Round(in.x[i]*1000)), int64(math.Round(in.y[i]*1000)))
	}
	var items []Item
	for i := 1; i < len(in.x); i++ {
		items = append(items, Item{Entries: []geom.Point{at(i)}, Closed: true})
	}
	return items, Options{Start: at(0), Return: true, Cost: wholeUnits}
}

// wholeUnits is TSPLIB's rule, floor(√(dx²+dy²) + 0.5), for thousandths of its unit.
func wholeUnits(dx, dy int64) int64 {
	x, y := float64(dx)/1000, float64(dy)/1000
	return int64(math.Sqrt(float64(x*x)+float64(y*y)) + 0.5)
}

// gap is how many per cent the tour is longer than the optimum, measured on the file's own
// coordinates.
func (in instance) gap(visits []Visit) float64 {
	tour := []int{0}
	for _, v := range visits {
		tour = append(tour, v.Item+1)
	}
	var length int64
	for k, i := range tour {
		j := tour[(k+1)%len(tour)]
		length += int64(math.Floor(math.Hypot(in.x[i]-in.x[j], in.y[i]-in.y[j]) + 0.5))
	}
	return 100 * float64(length-in.optimum) / float64(in.optimum)
}

// TestTSPLIB: gaps to the published optima, without a clock: a fixed number of kicks an item. The
// aims are a mean of at most 2 % and none above 4 %; 6 % without kicks.
func TestTSPLIB(t *testing.T) {
	t.Parallel()
	all := instances(t)
	for _, tc := range []struct {
		kicks       int // an item
		mean, worst float64
	}{
		{0, 6, 10},
		{2, 2, 4},
	} {
		var sum, worst float64
		for _, in := range all {
			items, o := in.problem()
			o.Steps = tc.kicks * len(items)
			visits, err := Order(items, nil, o)
			if err != nil {
				t.Fatal(err)
			}
			g := in.gap(visits)
			if g < 0 {
				t.Errorf("%s: %.2f %% below the optimum cannot be", in.name, g)
			}
			sum, worst = sum+g, max(worst, g)
		}
		mean := sum / float64(len(all))
		t.Logf("%d kicks an item: mean gap %.2f %%, worst %.2f %%", tc.kicks, mean, worst)
		if mean > tc.mean || worst > tc.worst {
			t.Errorf("%d kicks an item: mean gap %.2f %% and worst %.2f %%, want at most %v and %v",
				tc.kicks, mean, worst, tc.mean, tc.worst)
		}
	}
}
