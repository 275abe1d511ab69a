package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
)

// streamRole names the folder of a process of its own that only streams the plan in it.
const streamRole = "KERFGATE_TEST_STREAM"

// atOnce is a machine that takes every line at once.
type atOnce struct {
	driver.Driver
	lines int64
}

func (a *atOnce) Fit(string) error                          { return nil }
func (a *atOnce) Arm([16]byte) error                        { return nil }
func (a *atOnce) Drain(context.Context) error               { return nil }
func (a *atOnce) Where() (driver.Status, error)             { return driver.Status{Homed: true}, nil }
func (a *atOnce) Send(_ context.Context, line string) error { a.lines++; return nil }

func longProfile() machine.Profile {
	travel := geom.Box{Max: geom.Pt(400_000, 400_000)}
	return machine.Profile{Name: "bed", TravelUM: travel, HardStops: travel, SmallestStepUM: 10, TravelSpeedUMPerS: 300_000, WorkSpeedUMPerS: 100_000,
		AccelXUMPerS2: 3_000_000, AccelYUMPerS2: 3_000_000, CornerToleranceUM: 50,
		Tools: []machine.Tool{{Name: "pen", Kind: machine.ToolPen, SpotUM: 400, Switch: machine.Switch{Kind: machine.SwitchHold}}}}
}

// longPlan writes a plan whose motion takes at least so many lines into a folder and gives its digest.
func longPlan(t testing.TB, dir string, lines int) canon.Digest {
	t.Helper()
	p := plan.Plan{Planner: plan.Version, Tool: "pen", ToolKind: machine.ToolPen}
	for made := 0; made < lines; {
		row := int64(len(p.Strokes))
		s := plan.Stroke{Operation: plan.Draw, Group: "A", SpeedUMPerS: 60_000, PowerPermille: 1000}
		for i := range int64(40) {
			s.Points = append(s.Points, geom.Pt(row%10*20_000+i*400+row%7, row%40_000*10+i%2*300))
		}
		made += len(s.Points) - 1
		p.Strokes = append(p.Strokes, s)
		p.Extents = p.Extents.With(s.Points[0]).With(s.Points[len(s.Points)-1])
	}
	data, digest, err := p.Encode()
	if err != nil {
		t.Fatal(err)
	}
	folder, err := OpenFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(folder.Write(planName(digest), data), folder.Close()); err != nil {
		t.Fatal(err)
	}
	return digest
}

// streamAlone is the other process: it opens the plan in the folder, streams it as a worker does and says
// how many lines went out and how much memory of its own it had at most.
func streamAlone(dir string) error {
	folder, err := OpenFolder(dir)
	if err != nil {
		return err
	}
	names, err := folder.List()
	if err != nil || len(names) != 1 {
		return fmt.Errorf("%q, %w", names, err)
	}
	digest, err := canon.Parse(strings.TrimPrefix(names[0], planPrefix))
	if err != nil {
		return err
	}
	w := &Worker{cfg: Config{Folder: folder, Log: slog.New(slog.NewTextHandler(os.Stderr, nil))}.WithDefaults(), inbox: newMailbox()}
	machine := &atOnce{}
	w.held.Store(&held{driver: machine})
	w.view.Store(&view{profile: longProfile()})
	w.leash.Store(math.MaxInt64)
	most := make(chan int64)
	quit := make(chan struct{})
	go func() {
		var kib int64
		for tick := time.NewTicker(5 * time.Millisecond); ; {
			select {
			case <-tick.C:
				kib = max(kib, anonKiB())
			case <-quit:
				most <- max(kib, anonKiB())
				return
			}
		}
	}()
	p := w.readPlan(digest)
	if p == nil {
		return errors.New("the plan cannot be read")
	}
	w.stream(context.Background(), doStream{plan: p}, 0)
	close(quit)
	for _, e := range w.inbox.take() {
		if ended, ok := e.(evStreamEnded); ok && ended.err != nil {
			return ended.err
		}
	}
	_, err = fmt.Printf("lines %d, RssAnon %d KiB\n", machine.lines, <-most)
	return err
}

// anonKiB is this process's memory that no file backs, as proc(5) has it.
func anonKiB() int64 {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return math.MaxInt64
	}
	_, rest, _ := bytes.Cut(status, []byte("RssAnon:"))
	kib, err := strconv.ParseInt(strings.Fields(string(rest))[0], 10, 64)
	if err != nil {
		return math.MaxInt64
	}
	return kib
}

// streamed runs the other process.
func streamed(t testing.TB, lines int) (sent, kib, planBytes int64) {
	t.Helper()
	dir := t.TempDir()
	digest := longPlan(t, dir, lines)
	info, err := os.Stat(filepath.Join(dir, planName(digest)))
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), self)
	cmd.Env = append(os.Environ(), streamRole+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscanf(string(out), "lines %d, RssAnon %d KiB", &sent, &kib); err != nil {
		t.Fatalf("%q: %v", out, err)
	}
	return sent, kib, info.Size()
}

// TestStreamsTakeLittleMemory: a plan of a million lines is streamed, not held. The bound is what a small
// board can spare.
func TestStreamsTakeLittleMemory(t *testing.T) {
	if raceOn {
		t.Skip("SKIPPED: the race detector's own memory is not the worker's; make test runs it without")
	}
	const lines, most = 1_000_000, 25 << 10
	sent, kib, size := streamed(t, lines)
	t.Logf("%d lines out of a plan of %d KiB: at most %d KiB RssAnon", sent, size>>10, kib)
	if sent < lines {
		t.Errorf("only %d lines", sent)
	}
	if kib > most {
		t.Errorf("%d KiB RssAnon, at most %d", kib, most)
	}
}

// BenchmarkStream prints what streaming takes beside a plan's size: the memory must not grow with it.
func BenchmarkStream(b *testing.B) {
	for _, lines := range []int{10_000, 100_000, 1_000_000} {
		b.Run(strconv.Itoa(lines), func(b *testing.B) {
			for range b.N {
				begun := time.Now()
				sent, kib, size := streamed(b, lines)
				b.ReportMetric(float64(kib)/1024, "MiB-anon")
				b.ReportMetric(float64(size)/(1<<20), "MiB-plan")
				b.ReportMetric(float64(sent)/time.Since(begun).Seconds(), "lines/s-with-start")
			}
		})
	}
}

// TestPlanChangesOnDisk: a plan whose bytes change after it was hashed ends its lines and says so; one that
// changed before is not opened.
func TestPlanChangesOnDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	digest := longPlan(t, dir, 20_000)
	folder, err := OpenFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	w := &Worker{cfg: Config{Folder: folder}.WithDefaults()}
	p, shut, err := w.openPlan(digest)
	if err != nil {
		t.Fatal(err)
	}
	defer shut()
	path := filepath.Join(dir, planName(digest))
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 1
	if err := os.WriteFile(path, data, 0o600); err != nil { // the same file, other bytes
		t.Fatal(err)
	}
	n := 0
	for range plan.Lines(p, longProfile(), geom.Point{}) {
		n++
	}
	if n < 1000 || n > 15_000 || !errors.Is(p.Err(), errChanged) {
		t.Errorf("%d lines, then %v", n, p.Err())
	}
	if _, _, err := w.openPlan(digest); !errors.Is(err, errChanged) {
		t.Errorf("opened again: %v", err)
	}
}
