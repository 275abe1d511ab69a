package worker

import (
	"time"

	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// pictureWait is how long the end of a purge waits for the machine's picture.
const pictureWait = 15 * time.Second

// keepPurgeEvery is how much of a purge a crash may make it longer, never shorter.
const keepPurgeEvery = 10 * time.Second

// purge counts time in which the host was awake: nobody knows whether the air moved while it slept.
type purge struct {
	until  time.Duration // awake time
	keptAt time.Duration
}

// waited is a purge as the person waits it: machines that are simulated may be faster.
func waited(seconds int64, p machine.Profile) int64 {
	scale := max(1, p.Driver.WaitScale)
	if p.Driver.Kind != machine.DriverSimulated {
		scale = 1
	}
	return (max(0, seconds) + scale - 1) / scale
}

// startPurge enters the purge and gives its seconds: none for a run whose tool was never on.
func (c *core) startPurge() int64 {
	left := c.run.purgeS
	if !c.run.toolOn {
		left = 0
	}
	c.stage = purging
	c.run.purge = purge{until: c.now.awake + time.Duration(left)*time.Second, keptAt: c.now.awake}
	return left
}

// recoverPurge goes on with the purge of an earlier process from what it last wrote down.
func (c *core) recoverPurge() {
	p := c.book.Purge
	burn, _ := c.book.BurnOf(p.Run)
	c.stage = purging
	c.run = &activeRun{id: p.Run, digest: burn.Permit, moved: true, toolOn: true, pictured: true, purgeS: p.LeftS,
		watch: attendance{want: burn.Attendance, misses: burn.Missed}}
	c.run.watch.set(c.profile)
	if p.LeftS > 0 {
		c.run.watch.begin(c.now.boot)
	}
	c.run.purge = purge{until: c.now.awake + time.Duration(p.LeftS)*time.Second, keptAt: c.now.awake}
	c.watchPurge()
}

// purgeLeft is the seconds left, rounded up.
func (c *core) purgeLeft() int64 {
	if c.stage != purging {
		return 0
	}
	return int64((max(0, c.run.purge.until-c.now.awake) + time.Second - 1) / time.Second)
}

func (c *core) keepPurge() {
	c.run.purge.keptAt = c.now.awake
	c.write("", []journal.Fact{{Kind: journal.Purging, Run: c.run.id, LeftS: c.purgeLeft()}})
}

// watchPurge writes down what is left and ends the purge once it is over and the picture is told.
func (c *core) watchPurge() {
	if c.stage != purging {
		return
	}
	r := c.run
	if c.now.awake < r.purge.until {
		if c.now.awake-r.purge.keptAt >= keepPurgeEvery {
			c.keepPurge()
		}
		return
	}
	if !r.pictured && c.now.awake-r.purge.until < pictureWait {
		return
	}
	c.stage, c.run = idle, nil
	var reports []broker.Report
	if r.watch.asked {
		reports = append(reports, broker.Report{Kind: broker.ReportAttendance, Run: r.id, Permit: r.digest,
			Taps: r.watch.taps, Misses: r.watch.misses})
	}
	reports = append(reports, broker.Report{Kind: broker.ReportPurged, Run: r.id, Permit: r.digest})
	c.write("", []journal.Fact{{Kind: journal.Purging, Run: r.id, Over: true}}, reports...)
}
