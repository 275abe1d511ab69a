package plan_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
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
	n := elements(t, plan.Picture(p, req.Profile))
	for _, class := range []string{"sheet-edge", "cut", "mark", "travel", "drop-out", "title", "pattern"} {
		if n[class] != 1 {
			t.Errorf("%d elements %q", n[class], class)
		}
	}
	for _, class := range []string{"engrave", "draw", "hard-stops", "script", "style", "image"} {
		if n[class] != 0 {
			t.Errorf("%d elements %q", n[class], class)
		}
	}
	placed := plan.PicturePlaced(p, req.Profile, geom.Pt(20_000, 20_000), geom.Box{Max: p.SheetSize})
	n = elements(t, placed)
	if n["hard-stops"] != 1 || n["travel-range"] != 1 {
		t.Errorf("placed: %v", n)
	}
	if !bytes.Contains(placed, []byte(`role="img"`)) {
		t.Error("no role")
	}
	req.Operations = map[string]plan.Operation{"A": plan.Engrave, "B": plan.Draw}
	n = elements(t, plan.Picture(mustMake(t, req), req.Profile))
	if n["engrave"] != 1 || n["draw"] != 1 || n["drop-out"] != 0 {
		t.Errorf("engraved: %v", n)
	}
}

// TestPictureHoldsNothingForeign: layer names and the like never reach a picture.
func TestPictureHoldsNothingForeign(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<g id="&lt;script>alert(1)&lt;/script>"><rect width="9" height="9"/></g>`))
	if picture := plan.Picture(mustMake(t, req), req.Profile); bytes.Contains(picture, []byte("script")) {
		t.Error("the picture holds text of the drawing")
	}
}

// TestPictureOfDividedOutline: a hole whose outline was divided for the tool's rests is hatched.
func TestPictureOfDividedOutline(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="90" height="90"/><circle cx="45" cy="45" r="40"/>`))
	req.Profile.Tools[0].LongestOnMS, req.Profile.Tools[0].RestMS = 10_000, 1_000
	if n := elements(t, plan.Picture(mustMake(t, req), req.Profile)); n["drop-out"] != 1 {
		t.Errorf("%v", n)
	}
}

// TestPicturesOnOnePage: names of parts differ between pictures of different plans and views.
func TestPicturesOnOnePage(t *testing.T) {
	t.Parallel()
	req := demo(t, "bed-sign.svg")
	p := mustMake(t, req)
	req.Default = plan.Mark
	pictures := [][]byte{
		plan.Picture(p, req.Profile), plan.Picture(mustMake(t, req), req.Profile),
		plan.PicturePlaced(p, req.Profile, geom.Pt(9, 9), geom.Box{Max: p.SheetSize}),
	}
	seen := map[string]bool{}
	for _, picture := range pictures {
		_, rest, _ := strings.Cut(string(picture), `<title id="`)
		id, _, _ := strings.Cut(rest, `"`)
		if id == "" || seen[id] {
			t.Errorf("title named %q", id)
		}
		seen[id] = true
	}
}
