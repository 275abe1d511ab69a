package journal

import (
	"bytes"
	"fmt"
	"maps"
	"slices"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
)

// Book is what the facts add up to.
type Book struct {
	Starts     int64 // how often the journal was opened, this time included
	LastNumber int64 // greatest report number given
	AppliedTo  int64 // greatest report number that the server has applied
	Queued     []Queued
	Server     [16]byte // epoch accepted
	HasServer  bool
	Head       []byte // newest signed head of the server's logbook, nil for none
	Lockout    Lockout
	Prepared   map[uuid.UUID]Preparation
	Burns      []Burn // oldest first
	Purge      Purge

	burns   map[uuid.UUID]int // into Burns
	permits map[canon.Digest]bool
}

// Queued is a report that waits for the server's applied statement.
type Queued struct {
	Number int64
	Data   []byte
}

// Lockout is the newest lockout statement; Statement is nil when there was never one.
type Lockout struct {
	Statement []byte
	Index     int64
	Locked    bool
}

// Preparation is the result of preparing a run.
type Preparation struct {
	Run      uuid.UUID
	Revision int64
	Plan     canon.Digest
	Profile  canon.Digest
	Ready    bool
	Reason   string
}

// Burn is a run that may never move again, and the permit that was used; the permit is zero when
// the burn stands for a torn tail.
type Burn struct {
	Run        uuid.UUID
	Permit     canon.Digest
	Challenge  [32]byte
	Attendance [32]byte
	Number     int64
	PurgeS     int64
	Started    bool // the next thing was motion
	Ended      bool
	Missed     int64
}

// Purge is the purge that goes on; Run is zero when none does. LeftS may be 0 where only the report
// of its end is missing.
type Purge struct {
	Run   uuid.UUID
	LeftS int64
}

func newBook() *Book {
	return &Book{
		Lockout:  Lockout{Index: -1},
		Prepared: map[uuid.UUID]Preparation{},
		burns:    map[uuid.UUID]int{},
		permits:  map[canon.Digest]bool{},
	}
}

// check refuses what would burn twice, before anything is written.
func (b *Book) check(facts []Fact) error {
	for _, f := range facts {
		if f.Kind != Burned {
			continue
		}
		if _, ok := b.burns[f.Run]; ok {
			return fmt.Errorf("%w: run %s", ErrBurned, f.Run)
		}
		if b.permits[f.Permit] {
			return fmt.Errorf("%w: permit %s", ErrBurned, f.Permit.Short())
		}
	}
	return nil
}

func (b *Book) apply(f Fact) error {
	switch f.Kind {
	case Burned, TornBurned:
		if _, ok := b.burns[f.Run]; ok {
			return fmt.Errorf("run %s is burned twice", f.Run)
		}
		b.burns[f.Run] = len(b.Burns)
		b.Burns = append(b.Burns, Burn{Run: f.Run, Permit: f.Permit, Challenge: f.Challenge,
			Attendance: f.Attendance, Number: f.Number, PurgeS: f.PurgeS, Started: f.Moved,
			Ended: f.Over || f.Kind == TornBurned, Missed: f.Index})
		if !f.Permit.IsZero() {
			b.permits[f.Permit] = true
		}
		delete(b.Prepared, f.Run)
	case Started, Ended, Missed:
		i, ok := b.burns[f.Run]
		if !ok {
			return fmt.Errorf("run %s %s, but never burned", f.Run, f.Kind)
		}
		switch f.Kind {
		case Started:
			b.Burns[i].Started = true
		case Ended:
			b.Burns[i].Ended = true
		case Missed:
			b.Burns[i].Missed++
		}
	case Purging:
		b.Purge = Purge{Run: f.Run, LeftS: f.LeftS}
		if f.Over {
			b.Purge = Purge{}
		}
	case Reported:
		if f.Number != b.LastNumber+1 {
			return fmt.Errorf("report %d follows report %d", f.Number, b.LastNumber)
		}
		b.LastNumber = f.Number
		b.Queued = append(b.Queued, Queued{Number: f.Number, Data: f.Data})
	case Applied:
		b.AppliedTo = max(b.AppliedTo, min(f.Number, b.LastNumber))
		b.Queued = slices.DeleteFunc(b.Queued, func(q Queued) bool { return q.Number <= b.AppliedTo })
	case LockedOut:
		if f.Index > b.Lockout.Index {
			b.Lockout = Lockout{Statement: f.Data, Index: f.Index, Locked: f.Locked}
		}
	case Epoch:
		// The log of another epoch may be shorter: what was locked stays locked until a statement
		// of any index says otherwise.
		if b.HasServer && b.Server != f.Server {
			b.Lockout.Index = -1
			b.Head = nil // of a log that does not go on
		}
		b.Server, b.HasServer = f.Server, true
	case Head:
		b.Head = f.Data
	case Prepared:
		if _, ok := b.burns[f.Run]; !ok {
			b.Prepared[f.Run] = Preparation{Run: f.Run, Revision: f.Revision, Plan: f.Plan,
				Profile: f.Profile, Ready: f.Ready, Reason: f.Reason}
		}
	case Forgotten:
		delete(b.Prepared, f.Run)
	case Process:
		b.Starts = f.Number
	case Numbered:
		b.LastNumber, b.AppliedTo = f.Number, f.Index
	default:
		return fmt.Errorf("unknown kind of fact %.40q", string(f.Kind))
	}
	return nil
}

// burnPrepared burns every run that a torn tail could have burned.
func (b *Book) burnPrepared() {
	for _, run := range b.preparedRuns() {
		b.burns[run] = len(b.Burns)
		b.Burns = append(b.Burns, Burn{Run: run, Ended: true})
		delete(b.Prepared, run)
	}
}

func (b *Book) preparedRuns() []uuid.UUID {
	return slices.SortedFunc(maps.Keys(b.Prepared), func(x, y uuid.UUID) int { return bytes.Compare(x[:], y[:]) })
}

// wasteOf estimates the bytes that a rewrite drops once the fact is applied.
func (b *Book) wasteOf(f Fact) int64 {
	switch f.Kind {
	case Applied:
		var n int64
		for _, q := range b.Queued {
			if q.Number <= f.Number {
				n += int64(len(q.Data))
			}
		}
		return n
	case Head:
		return int64(len(b.Head))
	case Purging, Prepared, Forgotten, Started, Ended:
		return 64
	}
	return 0
}

// snapshot gives the facts of a fresh file, one slice a frame.
func (b *Book) snapshot() [][]Fact {
	facts := []Fact{{Kind: Process, Number: b.Starts}}
	if b.HasServer {
		facts = append(facts, Fact{Kind: Epoch, Server: b.Server})
	}
	if b.Head != nil {
		facts = append(facts, Fact{Kind: Head, Data: b.Head})
	}
	if b.Lockout.Statement != nil {
		facts = append(facts, Fact{Kind: LockedOut, Data: b.Lockout.Statement, Index: b.Lockout.Index, Locked: b.Lockout.Locked})
	}
	first := b.LastNumber
	if len(b.Queued) > 0 {
		first = b.Queued[0].Number - 1
	}
	facts = append(facts, Fact{Kind: Numbered, Number: first, Index: b.AppliedTo})
	out := [][]Fact{facts}
	for chunk := range slices.Chunk(b.Burns, 256) {
		var frame []Fact
		for _, burn := range chunk {
			f := Fact{Kind: Burned, Run: burn.Run, Permit: burn.Permit, Moved: burn.Started, Over: burn.Ended}
			if burn.Permit.IsZero() {
				f.Kind = TornBurned
			}
			if !burn.Ended || b.Purge.Run == burn.Run {
				f.Challenge, f.Attendance, f.Number = burn.Challenge, burn.Attendance, burn.Number
				f.PurgeS, f.Index = burn.PurgeS, burn.Missed
			}
			frame = append(frame, f)
		}
		out = append(out, frame)
	}
	var rest []Fact
	for _, run := range b.preparedRuns() {
		p := b.Prepared[run]
		rest = append(rest, Fact{Kind: Prepared, Run: p.Run, Revision: p.Revision, Plan: p.Plan, Profile: p.Profile, Ready: p.Ready, Reason: p.Reason})
	}
	if b.Purge.Run != uuid.Nil {
		rest = append(rest, Fact{Kind: Purging, Run: b.Purge.Run, LeftS: b.Purge.LeftS})
	}
	if len(rest) > 0 {
		out = append(out, rest)
	}
	for _, q := range b.Queued {
		out = append(out, []Fact{{Kind: Reported, Number: q.Number, Data: q.Data}})
	}
	return out
}

func (b *Book) copy() Book {
	c := *b
	c.Queued = slices.Clone(b.Queued)
	c.Prepared = maps.Clone(b.Prepared)
	c.Burns = slices.Clone(b.Burns)
	c.burns, c.permits = maps.Clone(b.burns), maps.Clone(b.permits)
	return c
}

// BurnOf finds the burn of a run.
func (b Book) BurnOf(run uuid.UUID) (Burn, bool) {
	i, ok := b.burns[run]
	if !ok {
		return Burn{}, false
	}
	return b.Burns[i], true
}

// PermitBurned says whether the permit with this digest was used.
func (b Book) PermitBurned(permit canon.Digest) bool { return b.permits[permit] }

// Open lists the runs that burned and have not ended: after a crash, what was interrupted.
func (b Book) Open() []Burn {
	var open []Burn
	for _, burn := range b.Burns {
		if !burn.Ended {
			open = append(open, burn)
		}
	}
	return open
}
