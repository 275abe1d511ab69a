// Package cords_test runs the worked example of a machine behind a program: a pen on two cords.
package cords_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"kerfgate/deploy/demo"
	"kerfgate/deploy/planfile"
	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest"
	"kerfgate/worker/driver/program"
	"kerfgate/worker/driver/talk"
)

// The machine as it hangs on the wall; the script has the same numbers, the way back from cords to
// places is this test's own: two circles about the pulleys.
const (
	spanMM     = 700.0
	topMM      = 500.0
	leftMM     = -100.0
	stepsPerMM = 40.0
	markX      = 250.0 // where the pen is hung by hand
	markY      = 150.0
)

// board is the winch board: it winds, lifts, and draws what the pen would.
type board struct {
	mu          sync.Mutex
	left, right float64 // steps
	down        bool
	drawn       [][]geom.Point
	slow        time.Duration // for each command
	commands    int
}

// newBoard hangs the pen at its mark and listens at two named pipes.
func newBoard(t *testing.T) (b *board, to, from string) {
	t.Helper()
	b = &board{left: math.Hypot(markX-leftMM, topMM-markY) * stepsPerMM, right: math.Hypot(markX-leftMM-spanMM, topMM-markY) * stepsPerMM}
	dir := t.TempDir()
	to, from = filepath.Join(dir, "to"), filepath.Join(dir, "from")
	var ends []*os.File
	for _, name := range []string{to, from} {
		if err := syscall.Mkfifo(name, 0o600); err != nil {
			t.Fatal(err)
		}
		end, err := os.OpenFile(name, os.O_RDWR, 0) // both ways, so that it opens without the other side
		if err != nil {
			t.Fatal(err)
		}
		ends = append(ends, end)
	}
	var listening sync.WaitGroup
	listening.Go(func() {
		for lines := bufio.NewScanner(ends[0]); lines.Scan(); {
			b.do(t, lines.Text())
			fmt.Fprintln(ends[1], "ok")
		}
	})
	t.Cleanup(func() {
		for _, end := range ends {
			end.Close()
		}
		listening.Wait()
	})
	return b, to, from
}

func (b *board) do(t *testing.T, text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.commands++
	time.Sleep(b.slow)
	var l, r, degrees float64
	if n, _ := fmt.Sscanf(text, "wind %g %g", &l, &r); n == 2 {
		from := b.at()
		b.left, b.right = b.left+l, b.right+r
		if to := b.at(); b.down {
			if n := len(b.drawn); n == 0 || b.drawn[n-1][len(b.drawn[n-1])-1] != from {
				b.drawn = append(b.drawn, []geom.Point{from})
			}
			b.drawn[len(b.drawn)-1] = append(b.drawn[len(b.drawn)-1], to)
		}
	} else if n, _ := fmt.Sscanf(text, "servo %g", &degrees); n == 1 {
		b.down = degrees < 45
	} else {
		t.Errorf("the board was told %q", text)
	}
}

// at is where the cords let the pen hang, in µm.
func (b *board) at() geom.Point {
	l, r := b.left/stepsPerMM, b.right/stepsPerMM
	along := (l*l - r*r + spanMM*spanMM) / (2 * spanMM)
	below := math.Sqrt(l*l - along*along)
	return geom.Pt(int64(math.Round((along+leftMM)*1000)), int64(math.Round((topMM-below)*1000)))
}

func (b *board) pen() (down bool, commands int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.down, b.commands
}

// hung is the example's profile for a board, and a driver that is open, placed and armed.
func hung(t *testing.T) (*board, machine.Profile, *talk.Driver) {
	t.Helper()
	if _, err := exec.LookPath("awk"); err != nil {
		t.Fatal("no awk: the worked example needs one")
	}
	b, to, from := newBoard(t)
	text, err := os.ReadFile("profile.json")
	if err != nil {
		t.Fatal(err)
	}
	var p machine.Profile
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&p); err != nil {
		t.Fatal(err)
	}
	script, err := filepath.Abs("cords.sh")
	if err != nil {
		t.Fatal(err)
	}
	p.Driver.Program.Command = []string{script, to, from}
	made, err := program.New(program.Config{Profile: p})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { made.Close() })
	if err := made.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	ready(t, made)
	return b, p, made
}

func ready(t *testing.T, d driver.Driver) {
	t.Helper()
	if err := d.Home(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := d.Arm([16]byte{1}); err != nil {
		t.Fatal(err)
	}
}

// planned makes a plan of a demo drawing for the example's profile and gives it with its motion lines.
func planned(t *testing.T, p machine.Profile, drawing string) *plan.Plan {
	t.Helper()
	dir := t.TempDir()
	for _, d := range demo.Drawings() {
		if d.File == drawing {
			if err := os.WriteFile(filepath.Join(dir, drawing), d.Data(), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	out := filepath.Join(dir, "out")
	if err := planfile.Run(planfile.Config{File: filepath.Join(dir, drawing), Machine: "profile.json", Tool: "pen", Material: "card", Stock: "c204", Out: out, Print: &bytes.Buffer{}}); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(out, "plan.cbor"))
	if err != nil {
		t.Fatal(err)
	}
	made, err := plan.Decode(data)
	if err != nil {
		t.Fatal(err)
	}
	return made
}

// TestShort: the worked example is as short as it is said to be.
func TestShort(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("cords.sh")
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(text, []byte("\n")); n >= 60 {
		t.Errorf("the script has %d lines", n)
	}
}

// TestDrawsThePlan streams a plan through the driver and the script and holds what the pen drew, found from
// the cords' lengths alone, against the strokes that the plan's picture shows: both ways within 0.1 mm
// (a step is 0.025 mm, two cords that meet at an angle make of it less than 0.06 mm).
func TestDrawsThePlan(t *testing.T) {
	b, p, d := hung(t)
	drawn := planned(t, p, "plant-labels.svg")
	origin := geom.Pt(60_000, 40_000)
	for line := range plan.Lines(drawn, p, origin) {
		if err := d.Send(t.Context(), line.Text); err != nil {
			t.Fatalf("%s: %v", line.Text, err)
		}
	}
	if err := d.Drain(t.Context()); err != nil {
		t.Fatal(err)
	}
	var want [][]geom.Point
	var length int64
	for _, s := range drawn.Strokes {
		for _, part := range s.Marked() {
			var moved []geom.Point
			for _, q := range part {
				moved = append(moved, q.Add(origin))
			}
			want = append(want, moved)
			length += geom.Length(moved)
		}
	}
	if len(want) < 5 || length < 300_000 {
		t.Fatalf("only %d strokes of %d µm: no test", len(want), length)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.down {
		t.Error("the pen is still down")
	}
	var got int64
	for _, l := range b.drawn {
		got += geom.Length(l)
	}
	t.Logf("%d strokes, %.1f mm planned, %.1f mm drawn, %d commands", len(want), float64(length)/1000, float64(got)/1000, b.commands)
	if off := drivertest.Strays(want, b.drawn); off > 100 {
		t.Errorf("a planned place is %.0f µm from the nearest drawn one", off)
	}
	if off := drivertest.Strays(b.drawn, want); off > 100 {
		t.Errorf("a drawn place is %.0f µm from the nearest planned one", off)
	}
	if math.Abs(float64(got-length)) > 0.01*float64(length) {
		t.Errorf("drawn %d µm, planned %d", got, length)
	}
}

// drawing lets the pen draw a long line slowly and returns once it is down; the channel gets what ended
// it.
func drawing(t *testing.T, b *board, d driver.Driver) <-chan error {
	t.Helper()
	b.mu.Lock()
	b.slow = 10 * time.Millisecond
	b.mu.Unlock()
	ended := make(chan error, 1)
	go func() {
		for _, line := range []string{"G21", "G90", "G0 X250 Y160", "M3 S1000", "G1 X450 Y160 F2400", "M5"} {
			if err := d.Send(t.Context(), line); err != nil {
				ended <- err
				return
			}
		}
		ended <- d.Drain(t.Context())
	}()
	waitFor(t, "the pen is down", func() bool { down, _ := b.pen(); return down })
	return ended
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for limit := time.Now().Add(5 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("never: %s", what)
		}
	}
}

// TestStopLiftsThePen: a stop in the middle of a line lifts the pen and winds no more; Reset starts the
// program anew, which must be placed again.
func TestStopLiftsThePen(t *testing.T) {
	b, _, d := hung(t)
	ended := drawing(t, b, d)
	begun := time.Now()
	if err := d.Stop(); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; !errors.Is(err, driver.ErrStopped) {
		t.Errorf("ended with %v", err)
	}
	waitFor(t, "the pen is lifted", func() bool { down, _ := b.pen(); return !down })
	if took := time.Since(begun); took > 200*time.Millisecond {
		t.Errorf("lifted after %v", took)
	}
	_, before := b.pen()
	if err := d.Reset(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, after := b.pen(); after > before+2 { // the new one lifts the pen once more
		t.Errorf("%d more commands after the stop", after-before)
	}
	if s, err := d.Where(); err != nil || s.Homed || s.ToolOn {
		t.Errorf("after Reset: %+v, %v", s, err)
	}
	ready(t, d)
}

// TestRestAndOnward: a hold lifts the pen on its way, going on puts it down in the same place.
func TestRestAndOnward(t *testing.T) {
	b, _, d := hung(t)
	ended := drawing(t, b, d)
	if err := d.Hold(); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the pen is lifted", func() bool { down, _ := b.pen(); return !down })
	_, before := b.pen()
	time.Sleep(300 * time.Millisecond)
	if _, after := b.pen(); after != before {
		t.Errorf("%d commands while it rests", after-before)
	}
	if err := d.GoOn(); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	want := [][]geom.Point{{geom.Pt(250_000, 160_000), geom.Pt(450_000, 160_000)}}
	if off := max(drivertest.Strays(want, b.drawn), drivertest.Strays(b.drawn, want)); off > 100 {
		t.Errorf("the line is %.0f µm off", off)
	}
}

// TestEndOfInputLiftsThePen: when the worker is gone the pen is lifted and nothing of the program is left.
func TestEndOfInputLiftsThePen(t *testing.T) {
	b, _, d := hung(t)
	drawing(t, b, d)
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	waitFor(t, "the pen is lifted", func() bool { down, _ := b.pen(); return !down })
}

// TestOddLine: a word that the machine does not know is refused in its own words and moves nothing.
func TestOddLine(t *testing.T) {
	b, _, d := hung(t)
	_, before := b.pen()
	err := d.Send(t.Context(), "G17 X10 Y10")
	if !errors.Is(err, driver.ErrRefused) || !strings.Contains(err.Error(), "G17") {
		t.Errorf("ended with %v", err)
	}
	if _, after := b.pen(); after != before {
		t.Error("it moved all the same")
	}
}
