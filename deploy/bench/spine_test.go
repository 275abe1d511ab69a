package bench

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"kerfgate/db"
)

// The whole table, once. Every ratio is of numbers of this one run; on a busy machine they say little,
// so the load stands above and below them.
func BenchmarkSpine(b *testing.B) {
	for b.Loop() {
		spine(b)
	}
}

func spine(b *testing.B) {
	t := newTable()
	t.line("load before", load())
	t.line("first page", firstPage(b), "aim ≤ 4 s")
	t.line("memory", memory(b), "aim ≤ 100 and 25 MiB")

	g := newGround(b)
	g.exec(b, bareTable)
	flush := g.flushes(b)
	t.line("floor: fdatasync of 256 B", flush.String())
	t.line("floor: NATS round trip", g.roundTrips(b).String())
	t.line("floor: SHA-256", fmt.Sprintf("%7.0f MB/s", hashes()/1e6))

	// Floor and ours alternate, and the middle one of three counts.
	var ones, manys []float64
	for range 3 {
		one, our1 := g.bare(b, 1), g.signOuts(b, 1)
		many, ours := g.bare(b, clients), g.signOuts(b, clients)
		t.line("floor: bare commit, 1 client", one.String())
		t.line("change with its entry, 1 client", our1.String(), ratio(our1.perS/one.perS))
		t.line(fmt.Sprintf("floor: bare commits, %d clients", clients), many.String())
		t.line(fmt.Sprintf("changes with their entries, %d clients", clients), ours.String(), ratio(ours.perS/many.perS))
		ones, manys = append(ones, our1.perS/one.perS), append(manys, ours.perS/many.perS)
	}
	t.line("changes against bare commits, 1 client", ratio(median(ones)))
	t.line(fmt.Sprintf("changes against bare commits, %d clients", clients), ratio(median(manys)), "aim ≥ 0.9")

	// Disks differ: what a flush takes here says little about one in a workshop.
	for _, flush := range slowFlushes {
		g.flushTakes(b, flush)
		many, ours := g.bare(b, clients), g.signOuts(b, clients)
		t.line(fmt.Sprintf("floor: bare commits, %d clients, a flush takes %v more", clients, flush), many.String())
		t.line("changes with their entries likewise", ours.String(), ratio(ours.perS/many.perS), "aim ≥ 0.9")
	}
	g.flushTakes(b, 0)

	// Why that is so: the same rows by hand, and how much each has to flush.
	hand, handWAL := g.walOf(b, g.sameRows)
	our1, ourWAL := g.walOf(b, func(b *testing.B, open <-chan db.Session) measured { return g.signOutsOf(b, open, 1) })
	t.line("floor: the same rows by hand, 1 client", hand.String(), fmt.Sprintf("%.0f B of WAL each", handWAL))
	t.line("change with its entry, 1 client", our1.String(), fmt.Sprintf("%.0f B of WAL each", ourWAL), ratio(our1.perS/hand.perS)+" of the same rows")

	w := newWorkshop(b, g)
	fromCall, fromCommit := w.told(b)
	commit := g.bare(b, 1).p50
	t.line("floor: bare commit, 1 client, p50 now", short(commit))
	t.line("queued → worker told", fromCommit.String(), fmt.Sprintf("p50 is 1 commit and %s, aim ≤ 1 commit + 1 ms", short(fromCommit.p50-commit)))
	f := w.startWorker()
	start := w.starts(f, 15)
	commit = g.bare(b, 1).p50
	t.line("Sign and start → motion", start.String(), fmt.Sprintf("p50 is %.1f commits of %s, aim ≤ 6", float64(start.p50)/float64(commit), short(commit)))
	stop := w.stopsUnderLoad(b, f, 5)
	t.line("Stop run → off sent, under full load", stop.String(), "aim p99 ≤ 5 ms")
	c := g.check(b)
	t.line("floor: file, leaves, nodes and signatures on all cores", fmt.Sprintf("%7.0f MB/s", c.least/1e6), ratio(c.least/c.floor)+" of SHA-256")
	t.line("logbook check", fmt.Sprintf("%7.0f MB/s of %d entries, %d permits", c.ours/1e6, c.reported.Entries, c.reported.Permits), ratio(c.ours/c.floor)+" of SHA-256", "aim ≥ 0.5")

	r := g.river(b)
	again := g.signOuts(b, 1)
	t.line("river: insert one by one, 1 client", fmt.Sprintf("%7.0f /s", r.InsertPerS1), "ours beside it "+ratio(again.perS/r.InsertPerS1))
	many := g.signOuts(b, clients)
	t.line(fmt.Sprintf("river: insert one by one, %d clients", clients), fmt.Sprintf("%7.0f /s", r.InsertPerSN), "ours beside it "+ratio(many.perS/r.InsertPerSN))
	t.line("river: insert → start", fmt.Sprintf("p50 %.3f ms   p99 %.3f ms", r.StartP50MS, r.StartP99MS))
	t.line("ours: submit called → worker told", fromCall.String(), "river's time is "+ratio(r.StartP50MS*float64(time.Millisecond)/float64(fromCall.p50)))
	t.line("load after", load())
}

func ratio(r float64) string { return fmt.Sprintf("× %.2f", r) }

// load is how busy the machine was: everything else on it is noise here.
func load() string {
	data, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "not known"
	}
	return strings.Join(strings.Fields(string(data))[:3], " ")
}
