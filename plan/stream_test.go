package plan_test

import (
	"bytes"
	"errors"
	"io"
	"reflect"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// TestOpen: a plan whose strokes are read as they are needed is the plan that Decode reads, stroke by
// stroke and line by line.
func TestOpen(t *testing.T) {
	t.Parallel()
	req := demo(t, "bed-sign.svg")
	whole := mustMake(t, req)
	data, _, err := whole.Encode()
	if err != nil {
		t.Fatal(err)
	}
	opened, err := plan.Open(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	decoded, err := plan.Decode(data)
	if err != nil {
		t.Fatal(err)
	}
	var strokes []plan.Stroke
	for s := range opened.Each() {
		strokes = append(strokes, s)
	}
	if len(strokes) == 0 || !reflect.DeepEqual(strokes, decoded.Strokes) {
		t.Errorf("strokes differ: %d and %d", len(strokes), len(decoded.Strokes))
	}
	if opened.Numbers.TotalMS != decoded.Numbers.TotalMS || opened.Extents != decoded.Extents || len(opened.Strokes) != 0 {
		t.Errorf("heads differ: %+v", opened)
	}
	lines := func(p *plan.Plan) (all []motion.Line) {
		for l := range plan.Lines(p, req.Profile, geom.Pt(1000, 2000)) {
			all = append(all, l)
		}
		return all
	}
	if a, b := lines(opened), lines(decoded); len(a) < 10 || !reflect.DeepEqual(a, b) {
		t.Errorf("lines differ: %d and %d", len(a), len(b))
	}
	if opened.Err() != nil {
		t.Error(opened.Err())
	}
}

// TestOpenRefuses: whatever is cut off or put in is noticed when it is opened.
func TestOpenRefuses(t *testing.T) {
	t.Parallel()
	data, _, err := mustMake(t, demo(t, "bed-sign.svg")).Encode()
	if err != nil {
		t.Fatal(err)
	}
	for n := range len(data) {
		if _, err := plan.Open(bytes.NewReader(data[:n]), int64(n)); err == nil {
			t.Fatalf("opened with %d of %d bytes", n, len(data))
		}
	}
	if _, err := plan.Open(bytes.NewReader(append(bytes.Clone(data), 0)), int64(len(data)+1)); err == nil {
		t.Error("opened with a byte too many")
	}
	odd := bytes.Replace(data, []byte("planner"), []byte("plannor"), 1)
	if _, err := plan.Open(bytes.NewReader(odd), int64(len(odd))); err == nil {
		t.Error("opened with a field that nobody knows")
	}
}

// failing reads until it shall fail.
type failing struct {
	io.ReaderAt
	fails bool
}

func (f *failing) ReadAt(p []byte, at int64) (int, error) {
	if f.fails {
		return 0, errors.New("the card is gone")
	}
	return f.ReaderAt.ReadAt(p, at)
}

// TestOpenFailsLater: strokes that cannot be read any more end the way early, and Err says why.
func TestOpenFailsLater(t *testing.T) {
	t.Parallel()
	data, _, err := mustMake(t, demo(t, "bed-sign.svg")).Encode()
	if err != nil {
		t.Fatal(err)
	}
	f := &failing{ReaderAt: bytes.NewReader(data)}
	p, err := plan.Open(f, int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	f.fails = true
	for range p.Each() {
		t.Error("a stroke out of nowhere")
	}
	if p.Err() == nil {
		t.Error("nothing said")
	}
}
