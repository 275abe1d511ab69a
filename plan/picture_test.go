package plan_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

// elements reads a picture as XML and counts its elements by class or name.
func elements(t *testing.T, picture []byte) map[string]int {
	t.Helper()
	count := map[string]int{}
	dec := xml.NewDecoder(bytes.NewReader(picture))
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return count
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		name := start.Name.Local
		count[name]++
		for _, a := range start.Attr {
			switch {
			case a.Name.Local == "class":
				count[a.Value]++
			case a.Name.Local == "style", strings.HasPrefix(a.Name.Local, "on"), a.Name.Local == "href":
				t.Errorf("%s has the attribute %s", name, a.Name.Local)
			}
		}
	}
}

// TestPicture: a picture is our own drawing of the plan: to scale, titled, with nothing that a page
// with a strict content policy would refuse.
func TestPicture(t *testing.T) {
	t.Parallel()
	req := demo(t, "bed-sign.svg")
	p := mustMake(t, req)
	picture := plan.Picture(p, "plan")
	n := elements(t, picture)
	for _, class := range []string{"plan", "ground", "sheet-edge", "cut", "mark", "travel", "drop-out", "origin", "title", "pattern"} {
		if n[class] != 1 {
			t.Errorf("%d elements %q", n[class], class)
		}
	}
	for _, class := range []string{"engrave", "draw", "hard-stops", "travel-range", "script", "style", "image"} {
		if n[class] != 0 {
			t.Errorf("%d elements %q", n[class], class)
		}
	}
	if !bytes.Contains(picture, []byte(`role="img"`)) {
		t.Error("no role")
	}
	req.Operations = map[string]plan.Operation{"A": plan.Engrave, "B": plan.Draw}
	n = elements(t, plan.Picture(mustMake(t, req), "plan"))
	if n["engrave"] != 1 || n["draw"] != 1 || n["drop-out"] != 0 {
		t.Errorf("engraved: %v", n)
	}
}

// TestPictureToScale: 1 mm is one user unit, and the plan's origin is the sheet's lower left corner,
// which lies where it was placed between travel and hard stops.
func TestPictureToScale(t *testing.T) {
	t.Parallel()
	req := demo(t, "bed-sign.svg")
	p := mustMake(t, req)
	rects := map[string]geom.Box{} // µm, y as in SVG
	var dot geom.Point
	dec := xml.NewDecoder(bytes.NewReader(plan.PicturePlaced(p, "plan", req.Profile, geom.Pt(15_000, 10_000))))
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		um := map[string]int64{}
		class := ""
		for _, a := range start.Attr {
			if mm, err := strconv.ParseFloat(a.Value, 64); err == nil {
				um[a.Name.Local] = int64(math.Round(mm * 1000))
			}
			if a.Name.Local == "class" {
				class = a.Value
			}
		}
		switch start.Name.Local {
		case "rect":
			rects[class] = geom.Box{Min: geom.Pt(um["x"], um["y"]), Max: geom.Pt(um["x"]+um["width"], um["y"]+um["height"])}
		case "circle":
			dot = geom.Pt(um["cx"], um["cy"])
		}
	}
	// The sheet is 280 × 180 mm, travel 300 × 200 mm from 0, and hard stops are 2 mm further out.
	sheet := rects["sheet-edge"]
	if sheet.Width() != 280_000 || sheet.Height() != 180_000 {
		t.Errorf("sheet %v", sheet)
	}
	if dot != geom.Pt(sheet.Min.X, sheet.Max.Y) {
		t.Errorf("origin %v at a sheet of %v", dot, sheet)
	}
	if want := (geom.Box{Min: geom.Pt(dot.X-15_000, dot.Y-190_000), Max: geom.Pt(dot.X+285_000, dot.Y+10_000)}); rects["travel-range"] != want {
		t.Errorf("travel %v, want %v", rects["travel-range"], want)
	}
	if want := (geom.Box{Min: geom.Pt(dot.X-17_000, dot.Y-192_000), Max: geom.Pt(dot.X+287_000, dot.Y+12_000)}); rects["hard-stops"] != want {
		t.Errorf("hard stops %v, want %v", rects["hard-stops"], want)
	}
	if !rects["hard-stops"].Inside(rects["ground"]) {
		t.Errorf("the ground %v does not hold it all", rects["ground"])
	}
}

// TestPictureIsBounded: the picture of a very long or very finely divided plan is thinned, and shows
// every operation that it has.
func TestPictureIsBounded(t *testing.T) {
	t.Parallel()
	circle := func(x, y, r int64) []geom.Point {
		var points []geom.Point
		for i := range 41 {
			a := 2 * math.Pi * float64(i%40) / 40
			points = append(points, geom.Pt(x+int64(float64(r)*math.Cos(a)), y+int64(float64(r)*math.Sin(a))))
		}
		return points
	}
	p := &plan.Plan{SheetSize: geom.Pt(300_000, 300_000), Extents: geom.Box{Max: geom.Pt(300_000, 300_000)}}
	add := func(op plan.Operation, points ...geom.Point) {
		p.Strokes = append(p.Strokes, plan.Stroke{Operation: op, Points: points, Closed: points[0] == points[len(points)-1]})
	}
	for y := range int64(3_000) { // an area, row by row
		add(plan.Engrave, geom.Pt(0, y*50), geom.Pt(100_000, y*50))
	}
	for i := range int64(10_000) { // a sieve
		add(plan.Cut, circle(i%100*3_000, i/100*3_000, 500)...)
	}
	var zigzag []geom.Point
	for i := range int64(100_000) {
		zigzag = append(zigzag, geom.Pt(i*3, i%2*290_000))
	}
	add(plan.Mark, zigzag...)
	for i := range int64(50_000) { // hairs
		add(plan.Draw, geom.Pt(i*7919%300_000, i*104_729%300_000), geom.Pt(i*7919%300_000+900, i*104_729%300_000))
	}
	picture := plan.Picture(p, "plan")
	if len(picture) > 600_000 {
		t.Errorf("a picture of %d bytes", len(picture))
	}
	n := elements(t, picture)
	for _, class := range []string{"engrave", "mark", "draw", "cut", "travel"} {
		if n[class] != 1 {
			t.Errorf("%d elements %q", n[class], class)
		}
	}
}

// TestPictureShowsEveryFilling: thinning the rows of one filling leaves none of another out, however
// flat that is and wherever it begins.
func TestPictureShowsEveryFilling(t *testing.T) {
	t.Parallel()
	p := &plan.Plan{SheetSize: geom.Pt(300_000, 200_000), Extents: geom.Box{Max: geom.Pt(200_000, 50_000)}}
	row := func(x, y int64) {
		p.Strokes = append(p.Strokes, plan.Stroke{Operation: plan.Engrave, Points: []geom.Point{geom.Pt(x, y), geom.Pt(x+20_000, y)}})
	}
	for y := int64(0); y < 50_000; y += 200 { // two high ones, row by row together
		row(0, y)
		row(40_000, y)
	}
	for i := range int64(5) { // flat ones, each beginning a little higher
		for y := i * 300; y < i*300+1_000; y += 200 {
			row(80_000+i*24_000, y)
		}
	}
	_, d, _ := strings.Cut(string(plan.Picture(p, "plan")), `class="engrave"`)
	d, _, _ = strings.Cut(d, "/>")
	rows := map[string]int{} // by where they begin
	for _, m := range regexp.MustCompile(`M([0-9.]+) `).FindAllStringSubmatch(d, -1) {
		rows[m[1]]++
	}
	if len(rows) != 7 {
		t.Fatalf("%d of 7 fillings are shown: %v", len(rows), rows)
	}
	for x, n := range rows {
		if n > 30 {
			t.Errorf("the filling at %s has %d rows, which run together", x, n)
		}
	}
}

// TestPictureHoldsNothingForeign: layer names and the like never reach a picture.
func TestPictureHoldsNothingForeign(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<g id="&lt;script>alert(1)&lt;/script>"><rect width="9" height="9"/></g>`))
	if picture := plan.Picture(mustMake(t, req), "plan"); bytes.Contains(picture, []byte("script")) {
		t.Error("the picture holds text of the drawing")
	}
}

// TestPictureOfDividedOutline: a hole whose outline was divided for the tool's rests is hatched.
func TestPictureOfDividedOutline(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="90" height="90"/><circle cx="45" cy="45" r="40"/>`))
	req.Profile.Tools[0].LongestOnMS, req.Profile.Tools[0].RestMS = 10_000, 1_000
	if n := elements(t, plan.Picture(mustMake(t, req), "plan")); n["drop-out"] != 1 {
		t.Errorf("%v", n)
	}
}

// TestPicturesOnOnePage: each id begins with the given one, and what names an id finds it.
func TestPicturesOnOnePage(t *testing.T) {
	t.Parallel()
	p := mustMake(t, demo(t, "bed-sign.svg"))
	picture := string(plan.Picture(p, "run-7"))
	ids := regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(picture, -1)
	if len(ids) == 0 {
		t.Error("no ids")
	}
	for _, id := range ids {
		if !strings.HasPrefix(id[1], "run-7-") {
			t.Errorf("the id %q", id[1])
		}
	}
	for _, want := range []string{`aria-labelledby="run-7-title"`, `<title id="run-7-title">`, `<pattern id="run-7-drop-out"`, `fill="url(#run-7-drop-out)"`} {
		if strings.Count(picture, want) != 1 {
			t.Errorf("no %s", want)
		}
	}
}

// TestStrip: one small picture for each piece in the order in which they come loose, waste told apart;
// very many are cut short and counted.
func TestStrip(t *testing.T) {
	t.Parallel()
	p := mustMake(t, request(inMM(`<rect width="90" height="60"/><circle cx="20" cy="20" r="9"/><circle cx="60" cy="20" r="9"/><rect x="100" width="9" height="9"/>`)))
	strip := plan.Strip(p, "strip")
	n := elements(t, strip)
	if n["piece"] != 2 || n["waste"] != 2 || n["text"] != 4 || n["title"] != 1 {
		t.Errorf("%v", n)
	}
	var body strings.Builder
	for i := range 100 {
		fmt.Fprintf(&body, `<rect x="%d" y="%d" width="5" height="5"/>`, i%10*12, i/10*12)
	}
	strip = plan.Strip(mustMake(t, request(inMM(body.String()))), "strip")
	if n := elements(t, strip); n["piece"] != 60 || !bytes.Contains(strip, []byte("and 40 more")) {
		t.Errorf("%v", n)
	}
	if n := elements(t, plan.Strip(&plan.Plan{}, "strip")); n["piece"] != 0 || n["title"] != 1 {
		t.Errorf("of nothing: %v", n)
	}
}

// TestPicturePNG: the pixels show what is where: ink on a cut, the sheet within it, hatching in a
// drop-out, the ground outside of the sheet.
func TestPicturePNG(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="100" height="100"/><circle cx="50" cy="50" r="30"/>`))
	var out bytes.Buffer
	if err := plan.PicturePNG(&out, mustMake(t, req)); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&out)
	if err != nil {
		t.Fatal(err)
	}
	size := img.Bounds().Size()
	if size.X != 1600 || size.Y > 1600 || size.Y < 900 {
		t.Fatalf("%v", size)
	}
	// The sheet is 280 × 180 mm with a margin of 1/50 of its longer side.
	scale := float64(size.X) / (280 * 1.04)
	dark := func(x, y float64) bool { // mm from the plan's origin
		r, _, _, _ := img.At(int((x+5.6)*scale), size.Y-1-int((y+5.6)*scale)).RGBA()
		return r>>8 < 0x40
	}
	for _, at := range [][2]float64{{100, 50}, {0, 70}, {50, 80}, {50, 20}} {
		if !dark(at[0], at[1]) {
			t.Errorf("no line at %v", at)
		}
	}
	for _, at := range [][2]float64{{10, 90}, {200, 100}, {-4, 100}} {
		if dark(at[0], at[1]) {
			t.Errorf("a line at %v", at)
		}
	}
	hatch := 0
	for i := range 200 {
		if dark(40+float64(i)/10, 45) {
			hatch++
		}
	}
	if hatch < 20 || hatch > 90 {
		t.Errorf("hatched in %d of 200 places", hatch)
	}
}
