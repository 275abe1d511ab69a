package worker

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"kerfgate/db/dbtest"
)

// onDatabase gives the package's tests a private Postgres, and still looks for goroutines left behind.
type onDatabase struct{ m *testing.M }

func (o onDatabase) Run() int { return dbtest.Main(o.m) }

func TestMain(m *testing.M) {
	if dir := os.Getenv(streamRole); dir != "" {
		if err := streamAlone(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(onDatabase{m})
}

// Whatever people do, whatever becomes of messages and whichever process or database dies: the runs in
// the database are where the model says (the phase table; I1, I3, I6, I8, I10, I14), the worker moves
// only on a go after both burns and never twice (I2, I8, I12), its tool is on only while it may be (I4,
// I9), and in the end every run closes, every report is told and the logbook passes its offline check.
//
// 200 histories: twice what -rapid.checks says, whose default is 100; -rapid.seed repeats them. One that
// ends badly is made small and printed as a script, which then stays in knownHistories.
func TestF34_RandomHistories(t *testing.T) {
	t.Parallel()
	for half := range 2 {
		t.Run(fmt.Sprint("half ", half), func(t *testing.T) {
			t.Parallel()
			var names []string
			for _, d := range deeds {
				for range d.often {
					names = append(names, d.name)
				}
			}
			// Under one seed the halves would live the same lives: each reads its steps out of another shuffle.
			rand.New(rand.NewPCG(uint64(half), 34)).Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
			one := rapid.Custom(func(t *rapid.T) step {
				i := 0 // by coins: rapid's own choice among many leans to the first
				for range 8 {
					i *= 2
					if rapid.Bool().Draw(t, "coin") {
						i++
					}
				}
				return step{do: names[i%len(names)], n: rapid.IntRange(0, 9).Draw(t, "n")}
			})
			w := newWorld(t)
			var histories, closed, moved, restores int
			rapid.Check(t, func(t *rapid.T) {
				var steps []step
				for range 10 { // of about five steps each: short lists are made smaller best
					steps = append(steps, rapid.SliceOf(one).Draw(t, "steps")...)
				}
				w.live(t, steps)
				for _, r := range w.model.runs {
					if r.phase == "closed" && r.outcome != "withdrawn" {
						closed++
					}
				}
				moved += len(w.edges)
				restores += w.lives
				histories++
			})
			t.Logf("%d histories: %d runs closed after a permit, %d moved, %d restores", histories, closed, moved, restores)
			if want := max(1, histories/10); moved < want || closed < want {
				t.Error("the histories hardly ever come to a beam: they prove nothing")
			}
		})
	}
}

// knownHistories are those that once ended badly, each with what was wrong.
var knownHistories = []struct{ wrong, script string }{
	{"after a journal was written off the worker's further reports were never applied", `
		backup 0
		submit 0
		poll 0
		tell 0
		restore 0
		write off 0
		accept 0
		poll 0
		onward 1`},
	{"a worker that joins a site that was restored before it ever spoke to it kept the site closed for ever", `
		backup 1
		restore 0
		onward 0
		onward 1`},
	{"of a journal the later report came first, and what the earlier one told was lost", `
		onward 4
		onward 4
		onward 0
		onward 5
		onward 7
		onward 0
		onward 7
		onward 8
		onward 0
		onward 0
		backup 7
		onward 3
		onward 8
		onward 3
		onward 0
		tell 2
		onward 1
		onward 3
		onward 1
		onward 7
		onward 5
		onward 0
		onward 4
		onward 0
		onward 7
		onward 3
		onward 7
		restore 2
		onward 8
		onward 1
		accept 0
		tell late 7
		onward 2`},
	{"a run that was answered for under a lockout asks for a second person once it is lifted", `
		onward 0
		onward 2
		sign 4
		onward 3
		onward 0
		onward 0
		onward 1
		onward 3
		onward 0
		onward 0
		stop 6
		onward 1
		onward 0
		verdict 6
		onward 4
		onward 9
		onward 5
		onward 8
		onward 0
		onward 6
		onward 8
		onward 4
		onward 5
		release 8
		onward 3
		onward 1
		kill worker 9
		onward 0
		onward 0
		onward 1
		tell again 3
		onward 6
		tick 0
		tap 9
		settle 1
		onward 3
		submit 0
		onward 1
		line 2
		onward 7
		onward 1
		onward 1
		onward 0
		onward 1
		onward 3
		onward 4
		onward 5
		press 0
		onward 9
		onward 9
		onward 3
		onward 7
		onward 3
		lockout 1
		onward 0
		onward 3
		onward 7
		onward 6
		stop 1
		onward 0
		onward 6
		lift 7
		onward 8
		onward 3`},
}

func TestF34_KnownHistories(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, known := range knownHistories {
		t.Run(known.wrong, func(t *testing.T) { w.live(t, parseScript(t, known.script)) })
	}
}
