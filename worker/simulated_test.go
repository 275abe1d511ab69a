package worker

import (
	"log/slog"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/simulated"
)

// A worker with the planner's own lines on a simulated machine, set up under a leave: home, then a
// whole run. The machine's edge counter, on a real disk, counts one; its sheet shows the outline's
// length, the sides of the triangle by Pythagoras' rule.
func TestI2_SimulatedMachine(t *testing.T) {
	t.Parallel()
	edges := filepath.Join(t.TempDir(), "edges")
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t)
		s.tweak = func(c *Config) {
			c.lines = nil
			c.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
			c.Driver = func(p machine.Profile) (driver.Driver, error) {
				return simulated.New(simulated.Config{Profile: p, Tool: "beam", EdgeFile: edges})
			}
		}
		s.opens()
		msg, _ := s.leave()
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 1, Kind: broker.SetupHome}); got.Problem != "" || !got.Homed {
			t.Fatalf("home: %+v", got)
		}
		run := s.runID(1)
		s.starts(run)
		time.Sleep(20 * time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportCompleted, "")
		time.Sleep(time.Minute)
		synctest.Wait()
		s.wantReport(run, broker.ReportPurged, "")
		picture, ok := s.find(run, broker.ReportPicture)
		const outline = 80_000 + 30_000 + 85_440 // µm; √(80² + 30²) mm = 85.440 mm
		if !ok || picture.BurnedUM < outline-300 || picture.BurnedUM > outline+300 {
			t.Fatalf("burned %d µm, want about %d; picture of %d bytes", picture.BurnedUM, outline, len(picture.Picture))
		}
		if n, err := simulated.Edges(edges, run); err != nil || n != 1 {
			t.Fatalf("%d edges, %v", n, err)
		}
		s.closes()
	})
}
