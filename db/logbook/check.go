package logbook

import (
	"errors"
	"fmt"
	"io"
	"runtime"
	"sync"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// What Check finds, which is also the exit status of the command that calls it.
const (
	StatusGood       = 0
	StatusUnreadable = 1 // the file cannot be read
	StatusBroken     = 2 // an entry is altered, missing or out of place, or a head does not fit
	StatusSignature  = 3 // a head or permit lacks its signature
	StatusRule       = 4 // the log is whole, but tells of something that must never happen
)

// CheckError is what Check found wrong.
type CheckError struct {
	Status int
	// Index of the first bad entry, -1 if the fault lies in none. Where only a
	// head tells that entries were altered it is the lowest index that may be
	// bad; for the signature of a head it is the head's size; in a file that
	// cannot be read it is that of the first entry which could not.
	Index  int64
	Reason string

	err error
}

// Error returns the finding in one line.
func (e *CheckError) Error() string {
	what := map[int]string{
		StatusUnreadable: "logbook cannot be read",
		StatusBroken:     "logbook is broken",
		StatusSignature:  "signature is not good",
		StatusRule:       "rule is broken",
	}[e.Status]
	if e.Index < 0 {
		return what + ": " + e.Reason
	}
	return fmt.Sprintf("%s at index %d: %s", what, e.Index, e.Reason)
}

// Unwrap returns the cause, if there is one beside the reason.
func (e *CheckError) Unwrap() error { return e.err }

// Options are what the caller of Check knows from elsewhere.
type Options struct {
	// EarlierHead is a signed head kept outside the site's database; nil if none.
	EarlierHead []byte
	// Verifiers are the log and permit keys as the caller trusts them. If nil,
	// the export's own keys are used, which shows only that the file agrees with
	// itself. Of a key that was replaced the first is enough: the log tells its
	// successors, each signed by the one before.
	Verifiers note.Verifiers
}

// Report is what Check has seen.
type Report struct {
	Origin      string
	Entries     int64
	Root        tlog.Hash
	Heads       int64 // verified against the entries, the earlier head not counted
	Covered     int64 // entries that a verified head counts
	Runs        int64
	Permits     int64 // verified
	Followed    int64 // keys that are trusted because one before them named them
	TrustedKeys bool  // keys came from the caller, not from the file
	EarlierSize int64 // of the earlier head, -1 if there was none
}

// checker is one run of Check.
type checker struct {
	in      *ExportReader
	tree    Tree
	site    string
	keys    *trust
	rules   *rules
	report  Report
	earlier *earlierHead
	beyond  *Head       // a head of more entries than there are so far
	covered int64       // size of the largest head that fits
	later   *CheckError // what does not end the check: worst status, then lowest index
}

// earlierHead is a head that was kept elsewhere.
type earlierHead struct {
	Head
	signed   []byte
	unproved *CheckError // why it does not open with the keys so far; a key that the log tells may open it
	other    *CheckError // the entries are not its own
	fits     bool
}

// Check reads an export and verifies it without database, network or clock: that
// indexes have no gaps, that each entry has its stored leaf hash, that the tree
// has the root of every head in the file and of the earlier head at its size,
// that heads and permits are signed, and then the invariants I1, I2, I3, I8, I9
// and the order of phases as the entries tell them. It follows the site's keys to
// their successors. It holds the tree's frontier, the live runs, 16 bytes for each
// run that is over, and a few megabytes of the file, which it reads once.
//
// The error is nil or a *CheckError; the report says how far it came either way.
// Of several faults the one with the lowest status is given, since it makes the
// others doubtful, and of these the first.
func Check(r io.Reader, opts Options) (Report, error) {
	c := &checker{report: Report{EarlierSize: -1}}
	err := c.run(r, opts)
	if err == nil || err.Status > StatusSignature {
		if bad := c.prove(); bad != nil {
			err = bad
		}
	}
	c.report.Entries = c.tree.Size
	c.report.Root = c.tree.Root()
	c.report.Covered = c.covered
	if c.rules != nil {
		c.report.Runs = int64(len(c.rules.live) + len(c.rules.closed))
		c.report.Permits, c.report.Followed = c.rules.permits, c.rules.followed
	}
	if err != nil {
		return c.report, err
	}
	return c.report, nil
}

func (c *checker) run(r io.Reader, opts Options) *CheckError {
	if err := c.begin(r, opts); err != nil {
		return err
	}
	examiners := runtime.GOMAXPROCS(0)
	toExamine, inOrder := make(chan *chunk, 2*examiners), make(chan *chunk, 2*examiners)
	stop := make(chan struct{})
	earlier := int64(-1)
	if c.earlier != nil {
		earlier = c.earlier.Size
	}
	var wait sync.WaitGroup
	wait.Go(func() { cut(c.in, earlier, toExamine, inOrder, stop) })
	for range examiners {
		wait.Go(func() {
			x := &examiner{keys: c.keys, permit: c.rules.permitKey}
			for ch := range toExamine {
				x.examine(ch)
			}
		})
	}
	defer wait.Wait()
	defer close(stop)
	for ch := range inOrder {
		<-ch.examined
		if bad := c.chunk(ch); bad != nil {
			return bad
		}
	}
	return c.end()
}

// chunk takes the next chunk when it was examined: in the order of the file, so that the fault which
// is given is the first.
func (c *checker) chunk(ch *chunk) *CheckError {
	if c.beyond != nil && len(ch.entries) > 0 {
		return &CheckError{Status: StatusUnreadable, Index: c.tree.Size, Reason: fmt.Sprintf("head of size %d stands before entry %d", c.beyond.Size, c.tree.Size)}
	}
	for _, e := range ch.told {
		if bad := c.rules.entry(e); bad != nil {
			bad.Index = e.index
			c.note(bad)
		}
	}
	for _, s := range ch.subtrees {
		c.tree.appendSubtree(s.level, s.root)
	}
	if ch.fault != nil {
		return ch.fault
	}
	if len(ch.entries) > 0 {
		if bad := c.compareEarlier(); bad != nil {
			return bad
		}
	}
	switch {
	case ch.head != nil:
		return c.head(ch.head)
	case ch.err != nil && ch.err != io.EOF:
		return c.unreadable(ch.err)
	}
	return nil
}

func (c *checker) begin(r io.Reader, opts Options) *CheckError {
	var err error
	if c.in, err = NewExportReader(r); err != nil {
		return &CheckError{Status: StatusUnreadable, Index: -1, Reason: err.Error(), err: err}
	}
	c.report.Origin = c.in.Header.Origin
	c.site, _, _ = ParseOrigin(c.in.Header.Origin) // the reader has parsed it
	c.keys = &trust{given: opts.Verifiers}
	c.report.TrustedKeys = opts.Verifiers != nil
	if opts.Verifiers == nil {
		var list []note.Verifier
		for _, key := range c.in.Header.Keys {
			v, err := ParseVerifierKey(key)
			if err != nil {
				return &CheckError{Status: StatusUnreadable, Index: -1, Reason: err.Error(), err: err}
			}
			list = append(list, v)
		}
		c.keys.given = note.VerifierList(list...)
	}
	c.rules = newRules(c.site, c.keys)
	if opts.EarlierHead == nil {
		return nil
	}
	h, bad := c.open(opts.EarlierHead)
	if bad != nil {
		bad.Reason = "earlier head: " + bad.Reason
		if bad.Status != StatusSignature || h.Origin == "" {
			return bad
		}
	}
	c.earlier = &earlierHead{Head: h, signed: opts.EarlierHead, unproved: bad}
	c.report.EarlierSize = h.Size
	return c.compareEarlier()
}

// prove opens the earlier head with the keys that the log has told since, and says what it proves.
func (c *checker) prove() *CheckError {
	if c.earlier == nil || c.earlier.unproved == nil {
		return nil
	}
	if _, bad := c.open(c.earlier.signed); bad != nil {
		return c.earlier.unproved
	}
	if c.earlier.fits {
		c.covered = max(c.covered, c.earlier.Size)
	}
	return c.earlier.other
}

// open verifies a signed head and that it is of this site's log.
func (c *checker) open(signed []byte) (Head, *CheckError) {
	h, site, err := peekHead(signed)
	if err != nil {
		return Head{}, &CheckError{Status: StatusUnreadable, Index: -1, Reason: err.Error(), err: err}
	}
	if _, err = OpenHead(signed, c.keys); err != nil {
		return h, &CheckError{Status: StatusSignature, Index: h.Size, Reason: fmt.Sprintf("head: %v", err), err: err}
	}
	if site != c.site {
		return h, &CheckError{Status: StatusSignature, Index: h.Size, Reason: fmt.Sprintf("head is of another log, %q", h.Origin)}
	}
	return h, nil
}

func missing(at, next int64) *CheckError {
	return &CheckError{Status: StatusBroken, Index: at, Reason: fmt.Sprintf("entry %d is missing, the next has index %d", at, next)}
}

// head takes a head of the file. One that is not signed proves nothing about the
// entries, so it is not compared with them.
func (c *checker) head(signed []byte) *CheckError {
	h, bad := c.open(signed)
	if bad != nil {
		if bad.Status == StatusUnreadable {
			return bad
		}
		c.note(bad)
		return nil
	}
	switch {
	case h.Size < c.tree.Size:
		return &CheckError{Status: StatusUnreadable, Index: c.tree.Size, Reason: fmt.Sprintf("head of size %d stands after entry %d", h.Size, c.tree.Size-1)}
	case h.Size > c.tree.Size:
		if c.beyond == nil {
			c.beyond = &h
		}
		return nil
	}
	c.report.Heads++
	return c.compare(h)
}

func (c *checker) compareEarlier() *CheckError {
	if c.earlier == nil || c.earlier.Size != c.tree.Size {
		return nil
	}
	if c.earlier.unproved == nil {
		return c.compare(c.earlier.Head)
	}
	covered := c.covered
	c.earlier.other = c.compare(c.earlier.Head)
	c.earlier.fits = c.earlier.other == nil
	c.covered = covered
	return nil
}

// compare holds a head against the entries so far, whose number is its size.
func (c *checker) compare(h Head) *CheckError {
	if h.Root != c.tree.Root() {
		return &CheckError{Status: StatusBroken, Index: min(c.covered, max(h.Size-1, 0)),
			Reason: fmt.Sprintf("entries %d to %d are not those of the head of size %d", c.covered, h.Size-1, h.Size)}
	}
	c.covered = h.Size
	return nil
}

func (c *checker) end() *CheckError {
	n := c.tree.Size
	if e := c.earlier; e != nil && e.Size > n {
		bad := lost(e.Head, n)
		if e.unproved == nil {
			return bad
		}
		e.other = bad
	}
	if c.beyond != nil && c.beyond.Size > n {
		return lost(*c.beyond, n)
	}
	return c.later
}

func lost(h Head, n int64) *CheckError {
	return &CheckError{Status: StatusBroken, Index: n,
		Reason: fmt.Sprintf("entries %d to %d are missing, which the head of %q of size %d counts", n, h.Size-1, h.Origin, h.Size)}
}

func (c *checker) unreadable(err error) *CheckError {
	at := c.tree.Size
	if errors.Is(err, ErrDamaged) {
		at = -1
	}
	return &CheckError{Status: StatusUnreadable, Index: at, Reason: err.Error(), err: err}
}

// note keeps a fault that does not end the check, if it is the worst so far.
func (c *checker) note(bad *CheckError) {
	if c.later == nil || bad.Status < c.later.Status {
		c.later = bad
	}
}
