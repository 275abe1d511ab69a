package broker

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
)

// Follower is the name under which the server follows the logbook to publish offers.
const Follower = "offers"

const (
	followPoll  = 5 * time.Second
	followRetry = 500 * time.Millisecond
	followBatch = 256
	publishWait = 5 * time.Second
)

// follow reads the logbook from where the follower stands and tells the machines concerned, on
// every nudge and every few seconds. It moves the follower only after the broker has acknowledged.
func (s *Server) follow(ctx context.Context, enrolled chan struct{}, kept <-chan struct{}) {
	select {
	case <-kept: // there is nothing to publish to before
	case <-ctx.Done():
	}
	told := map[uuid.UUID][sha256.Size]byte{} // lockout statements that went out
	for ctx.Err() == nil {
		wait := followPoll
		n, machines, err := s.followOnce(ctx, told)
		if err == nil && machines {
			nudge(enrolled) // one of the entries may have enrolled a worker
		}
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			s.log.Warn("follower", "error", err)
			wait = followRetry
		case n == followBatch:
			continue
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-s.nudged:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// Kinds of entries that say more than that something changed.
const (
	withdrawnKind = "run.withdrawn" // it will never start
	lockoutKinds  = "lockout."      // set or lifted
	jobKinds      = "job."          // its runs have entries of their own
)

// concern is what a batch of entries says about one machine.
type concern struct {
	index   int64       // of the last entry
	all     bool        // not about single runs
	lockout bool        // a lockout was set or lifted
	gone    []uuid.UUID // runs that were withdrawn
	runs    []uuid.UUID
}

// followOnce tells what the next entries say and returns how many they were, and whether any was about
// a machine itself.
func (s *Server) followOnce(ctx context.Context, told map[uuid.UUID][sha256.Size]byte) (n int, machines bool, err error) {
	entries, err := s.desk.Follow(ctx, Follower, followBatch)
	if err != nil || len(entries) == 0 {
		return 0, false, err
	}
	concerns := map[uuid.UUID]*concern{}
	var order []uuid.UUID
	for _, e := range entries {
		if e.Machine == uuid.Nil {
			continue
		}
		c := concerns[e.Machine]
		if c == nil {
			c = &concern{}
			concerns[e.Machine] = c
			order = append(order, e.Machine)
		}
		c.index = e.Index
		c.lockout = c.lockout || strings.HasPrefix(e.Kind, lockoutKinds)
		switch {
		case strings.HasPrefix(e.Kind, jobKinds):
		case e.Run == uuid.Nil:
			c.all, machines = true, true
		case !slices.Contains(c.runs, e.Run):
			c.runs = append(c.runs, e.Run)
		}
		if e.Kind == withdrawnKind {
			c.gone = append(c.gone, e.Run)
		}
	}
	for _, id := range order {
		if err := s.tellMachine(ctx, id, *concerns[id], told); err != nil {
			return 0, false, fmt.Errorf("machine %s: %w", id, err)
		}
	}
	return len(entries), machines, s.desk.SetFollowed(ctx, Follower, entries[len(entries)-1].Index+1)
}

func (s *Server) tellMachine(ctx context.Context, id uuid.UUID, c concern, told map[uuid.UUID][sha256.Size]byte) error {
	// Lockouts first: they take away.
	if err := s.tellLockout(ctx, id, c, told); err != nil {
		return err
	}
	if len(c.gone) > 0 {
		gone, err := s.desk.Withdrawn(ctx, c.gone)
		if err != nil {
			return err
		}
		for _, o := range gone {
			if err := s.publishOffer(ctx, o, fmt.Sprintf("%x-%d-%x-withdrawn", o.Epoch, c.index, o.Run)); err != nil {
				return err
			}
		}
	}
	offers, more, err := s.offersFor(ctx, id, c)
	if err != nil {
		return err
	}
	for _, o := range offers {
		if err := s.publishOffer(ctx, o, fmt.Sprintf("%x-%d-%x-%d", o.Epoch, c.index, o.Run, o.Revision)); err != nil {
			return err
		}
	}
	if !more {
		return nil // there is nothing to ask for: all of it was told just now
	}
	return send(s.conn, WakeSubject(id), nil)
}

// tellLockout tells a machine its newest lockout statement, where that may be another than it was told last.
func (s *Server) tellLockout(ctx context.Context, id uuid.UUID, c concern, told map[uuid.UUID][sha256.Size]byte) error {
	last, known := told[id]
	if known && !c.lockout {
		return nil
	}
	note, err := s.desk.LockoutNote(ctx, id)
	if err != nil {
		return err
	}
	digest := sha256.Sum256(note)
	if len(note) > 0 && last != digest {
		if err := send(s.conn, LockoutSubject(id), note); err != nil {
			return err
		}
	}
	told[id] = digest
	return nil
}

// offersFor are the offers that a concern asks for. more says that the machine has to ask for what else changed.
func (s *Server) offersFor(ctx context.Context, id uuid.UUID, c concern) (offers []Offer, more bool, err error) {
	if c.all {
		offers, err = s.desk.Offers(ctx, id)
		return offers, true, err
	}
	return s.desk.OffersOf(ctx, id, c.runs)
}

// offerAll offers every waiting run, without message ids: a worker takes an offer twice with the
// same result, and an id could keep an offer out that a lost stream no longer holds.
func (s *Server) offerAll(ctx context.Context) error {
	offers, err := s.desk.Offers(ctx, uuid.Nil)
	if err != nil {
		return err
	}
	for _, o := range offers {
		if err := s.publishOffer(ctx, o, ""); err != nil {
			return err
		}
	}
	return nil
}

// storeFailed is the broker's code for a stream that takes no more, among others.
const storeFailed jetstream.ErrorCode = 10077

func isFull(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.ErrorCode == storeFailed
}

func (s *Server) publishOffer(ctx context.Context, o Offer, id string) error {
	data, err := Encode(o)
	if err != nil {
		return err
	}
	err = s.publishAcked(ctx, OfferSubject(o.Machine), data, id)
	if isFull(err) {
		// A worker that has been away for long. The worker asks for its state when it comes back;
		// the newest offers are worth more than the oldest.
		s.log.Warn("old offers dropped, nobody takes them", "machine", o.Machine)
		stream, err := s.js.Stream(ctx, OfferStream)
		if err != nil {
			return err
		}
		if err := stream.Purge(ctx, jetstream.WithPurgeSubject(OfferSubject(o.Machine))); err != nil {
			return err
		}
		return s.publishAcked(ctx, OfferSubject(o.Machine), data, "")
	}
	return err
}

func (s *Server) publishAcked(ctx context.Context, subject string, data []byte, id string) error {
	if !s.conn.IsConnected() {
		return fmt.Errorf("%w: %s", ErrNoBroker, subject)
	}
	ctx, cancel := context.WithTimeout(ctx, publishWait)
	defer cancel()
	options := []jetstream.PublishOpt{jetstream.WithRetryAttempts(0)}
	if id != "" {
		options = append(options, jetstream.WithMsgID(id))
	}
	_, err := s.js.Publish(ctx, subject, data, options...)
	if errors.Is(err, jetstream.ErrNoStreamResponse) {
		nudge(s.broken)
	}
	return err
}
