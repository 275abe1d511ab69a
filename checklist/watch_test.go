package checklist_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfgate/checklist"
)

// TestWatchTime: looks in time leave the end where it was; a missed one moves it by the time in which nobody
// looked; an attended run counts as watching.
func TestWatchTime(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC)
	at := func(minute int) time.Time { return start.Add(time.Duration(minute) * time.Minute) }
	w := checklist.WatchTime{Until: at(30), Seen: at(0), Every: 10 * time.Minute}
	for _, c := range []struct {
		name          string
		w             checklist.WatchTime
		until         int
		due           int
		missedAtMin40 bool
	}{
		{"nobody looked", w, 30, 10, true},
		{"in time", w.Looked(at(9)).Looked(at(19)), 30, 29, true},
		{"the last look", w.Looked(at(10)).Looked(at(20)), 30, 30, false},
		{"five minutes late", w.Looked(at(15)), 35, 25, true},
		{"an hour late", w.Looked(at(70)), 90, 80, false},
		{"a run in between", w.Attended(at(5), at(24)), 30, 30, false},
		{"a run that began late", w.Attended(at(15), at(29)), 35, 35, false},
		{"a run before the last look", w.Looked(at(9)).Attended(at(1), at(8)), 30, 19, true},
	} {
		if !c.w.Until.Equal(at(c.until)) || !c.w.Due().Equal(at(c.due)) || c.w.Missed(at(40)) != c.missedAtMin40 {
			t.Errorf("%s: until %v, due %v, missed %v", c.name, c.w.Until, c.w.Due(), c.w.Missed(at(40)))
		}
	}
	if got := w.At(at(25)); !got.Until.Equal(at(45)) {
		t.Errorf("fifteen minutes without a look: until %v", got.Until)
	}
}

// TestF33_WatchIsNeverShorter: whatever looks come and whenever it is asked, the time in which somebody watched
// adds up to the whole watch before it ends.
func TestF33_WatchIsNeverShorter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		start := time.Unix(0, 0)
		whole := time.Duration(rapid.IntRange(1, 60).Draw(t, "minutes")) * time.Minute
		w := checklist.WatchTime{Until: start.Add(whole), Seen: start, Every: checklist.LookEvery}
		now, watched := start, time.Duration(0)
		for range rapid.IntRange(0, 20).Draw(t, "looks") {
			gap := time.Duration(rapid.IntRange(0, 2000).Draw(t, "gap")) * time.Second
			now = now.Add(gap)
			before := w.Until
			w = w.At(now).Looked(now)
			watched += min(gap, w.Every)
			if w.Until.Before(before) {
				t.Fatalf("the end moved from %v to %v", before, w.Until)
			}
		}
		if left := w.Until.Sub(now); watched < whole && left < whole-watched {
			t.Fatalf("%v left after %v of %v", left, watched, whole)
		}
	})
}

// TestEditions: each has its time from its text, and one that nobody chose is none.
func TestEditions(t *testing.T) {
	t.Parallel()
	for key, minutes := range map[string]int64{ // 29 CFR 1910.252(a)(2)(iii)(B); IFC 2018 chapter 35; NFPA 51B-2019 §5.6.1.1 (by quotation)
		checklist.EditionOSHA: 30, checklist.EditionIFC: 30, checklist.EditionNFPA: 60} {
		if e, ok := checklist.FireEditionOf(key); !ok || e.Minutes != minutes || e.Name == "" || e.Words == "" {
			t.Errorf("%s: %+v", key, e)
		}
	}
	if _, ok := checklist.FireEditionOf(""); ok {
		t.Error("an edition that nobody chose")
	}
}
