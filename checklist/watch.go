package checklist

import "time"

// FireEdition is a text that a site follows for how long somebody watches after a beam run. All of them
// are written for hot work; none was published for beam cutters.
type FireEdition struct {
	Key     string
	Name    string
	Words   string // what it says
	Minutes int64
}

// Keys of the editions.
const (
	EditionOSHA = "29-cfr-1910-252"
	EditionIFC  = "ifc-2018"
	EditionNFPA = "nfpa-51b-2019"
)

// FireEditions are the editions to choose from. The first two were read in the text; NFPA 51B-2019
// §5.6.1.1 is known by quotation only.
func FireEditions() []FireEdition {
	return []FireEdition{
		{Key: EditionNFPA, Name: "NFPA 51B-2019", Words: "one hour after hot work (§5.6.1.1, known by quotation)", Minutes: 60},
		{Key: EditionOSHA, Name: "29 CFR 1910.252", Words: "at least half an hour after hot work ((a)(2)(iii)(B))", Minutes: 30},
		{Key: EditionIFC, Name: "International Fire Code 2018", Words: "not less than 30 minutes after hot work, which an official may extend (chapter 35)", Minutes: 30},
	}
}

// FireEditionOf finds an edition by its key.
func FireEditionOf(key string) (FireEdition, bool) {
	for _, e := range FireEditions() {
		if e.Key == key {
			return e, true
		}
	}
	return FireEdition{}, false
}

const (
	// FlameWatch is the watch after a flame, a glow, smoke or a used extinguisher, whatever the site chose
	// (own, after the longest edition).
	FlameWatch = 60 * time.Minute
	// LookEvery is how often the watcher says what is seen (own; no edition names a time).
	LookEvery = 10 * time.Minute
)

// WatchTime is how far a machine's fire watch has come.
type WatchTime struct {
	Until time.Time     // its end, if somebody looks in time until then
	Seen  time.Time     // when somebody looked last
	Every time.Duration // how long may pass between two looks
}

// Due is when the next look is due; after the end none is, but the one that closes the watch.
func (w WatchTime) Due() time.Time {
	due := w.Seen.Add(w.Every)
	if due.After(w.Until) {
		return w.Until
	}
	return due
}

// Missed says whether a look was due before now that was not taken and is not the last one.
func (w WatchTime) Missed(now time.Time) bool { return now.After(w.Due()) && w.Due().Before(w.Until) }

// Looked is the watch after somebody looked at it. Time in which nobody looked does not count: what was
// left when the look was due is left still.
func (w WatchTime) Looked(at time.Time) WatchTime {
	if w.Missed(at) {
		w.Until = at.Add(w.Until.Sub(w.Due()))
	}
	if at.After(w.Seen) {
		w.Seen = at
	}
	return w
}

// Attended is the watch after a run on the machine was attended from one moment to another, which counts
// as watching.
func (w WatchTime) Attended(from, to time.Time) WatchTime {
	if to.Before(w.Seen) {
		return w // it was over before somebody looked
	}
	if from.After(w.Seen) {
		w = w.Looked(from)
	}
	if to.After(w.Seen) {
		w.Seen = to
	}
	return w
}

// At is the watch as it stands now: its end moves on while a look is missed.
func (w WatchTime) At(now time.Time) WatchTime {
	if w.Missed(now) {
		w.Until = now.Add(w.Until.Sub(w.Due()))
	}
	return w
}
