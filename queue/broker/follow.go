package broker

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
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
		n, err := s.followOnce(ctx, told)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			s.log.Warn("follower", "error", err)
			wait = followRetry
		case n == followBatch:
			continue
		case n > 0:
			nudge(enrolled) // one of the entries may have enrolled a worker
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

// withdrawnKind is the entry of a run that will never start.
const withdrawnKind = "run.withdrawn"

// concern is what a batch of entries says about one machine.
type concern struct {
	index int64       // of the last entry
	all   bool        // not about single runs
	gone  []uuid.UUID // runs that were withdrawn
	runs  map[uuid.UUID]bool
}

func (s *Server) followOnce(ctx context.Context, told map[uuid.UUID][sha256.Size]byte) (int, error) {
	entries, err := s.desk.Follow(ctx, Follower, followBatch)
	if err != nil || len(entries) == 0 {
		return 0, err
	}
	concerns := map[uuid.UUID]*concern{}
	var order []uuid.UUID
	for _, e := range entries {
		if e.Machine == uuid.Nil {
			continue
		}
		c := concerns[e.Machine]
		if c == nil {
			c = &concern{runs: map[uuid.UUID]bool{}}
			concerns[e.Machine] = c
			order = append(order, e.Machine)
		}
		c.index = e.Index
		c.runs[e.Run] = true
		c.all = c.all || e.Run == uuid.Nil
		if e.Kind == withdrawnKind {
			c.gone = append(c.gone, e.Run)
		}
	}
	for _, id := range order {
		if err := s.tellMachine(ctx, id, *concerns[id], told); err != nil {
			return 0, fmt.Errorf("machine %s: %w", id, err)
		}
	}
	return len(entries), s.desk.SetFollowed(ctx, Follower, entries[len(entries)-1].Index+1)
}

func (s *Server) tellMachine(ctx context.Context, id uuid.UUID, c concern, told map[uuid.UUID][sha256.Size]byte) error {
	// Lockouts first: they take away.
	note, err := s.desk.LockoutNote(ctx, id)
	if err != nil {
		return err
	}
	if digest := sha256.Sum256(note); len(note) > 0 && told[id] != digest {
		if err := send(s.conn, LockoutSubject(id), note); err != nil {
			return err
		}
		told[id] = digest
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
	offers, err := s.desk.Offers(ctx, id)
	if err != nil {
		return err
	}
	for _, o := range offers {
		if c.all || c.runs[o.Run] {
			if err := s.publishOffer(ctx, o, fmt.Sprintf("%x-%d-%x-%d", o.Epoch, c.index, o.Run, o.Revision)); err != nil {
				return err
			}
		}
	}
	return send(s.conn, WakeSubject(id), nil)
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
