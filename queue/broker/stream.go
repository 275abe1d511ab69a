package broker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
)

// Bounds of the streams, per machine. A full stream refuses what is new and keeps what it has.
const (
	maxOffers  = 256
	maxReports = 20_000
)

// offerStream holds offers until a worker has taken them. They are states and can always be made
// anew from the runs.
func offerStream() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:                 OfferStream,
		Description:          "runs that workers should prepare",
		Subjects:             []string{"offer.*"},
		Retention:            jetstream.WorkQueuePolicy,
		Storage:              jetstream.FileStorage,
		Discard:              jetstream.DiscardNew,
		MaxMsgsPerSubject:    maxOffers,
		DiscardNewPerSubject: true,
		MaxMsgSize:           MaxMessage,
		Duplicates:           2 * time.Minute,
		Replicas:             1,
	}
}

// reportStream holds reports until they are applied. A worker keeps its own copy until then.
func reportStream() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:                 ReportStream,
		Description:          "what workers did",
		Subjects:             []string{"report.*"},
		Retention:            jetstream.WorkQueuePolicy,
		Storage:              jetstream.FileStorage,
		Discard:              jetstream.DiscardNew,
		MaxMsgsPerSubject:    maxReports,
		DiscardNewPerSubject: true,
		MaxMsgSize:           MaxMessage + 1024, // with headers
		Duplicates:           2 * time.Minute,
		Replicas:             1,
	}
}

func offerConsumer(m uuid.UUID) jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Durable:       Token(m),
		FilterSubject: OfferSubject(m),
		DeliverPolicy: jetstream.DeliverAllPolicy,
		AckPolicy:     jetstream.AckExplicitPolicy,
		AckWait:       30 * time.Second,
		MaxAckPending: 1,
		MaxDeliver:    -1,
	}
}

func reportConsumer(m uuid.UUID) jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Durable:       Token(m),
		FilterSubject: ReportSubject(m),
		DeliverPolicy: jetstream.DeliverAllPolicy,
		AckPolicy:     jetstream.AckExplicitPolicy,
		// Applying is one transaction, and applying twice is harmless. What was on its way when the
		// broker went down waits this long.
		AckWait: 3 * time.Second,
		// One at a time keeps the order, however many servers there are; see Server.goRound for
		// a report that waits for one behind it.
		MaxAckPending: 1,
		MaxDeliver:    -1,
	}
}

// Times of the look at streams.
const (
	streamPoll  = 5 * time.Second
	streamRetry = 250 * time.Millisecond
)

// keepStreams makes streams and consumers at start and whenever one is missing. A lost stream is
// a boring event: offers are made anew from the runs, reports from the workers' journals.
// The first time that all is there, kept is closed.
func (s *Server) keepStreams(ctx context.Context, kept chan<- struct{}) {
	owed := true // every waiting run is to be offered
	for start := true; ctx.Err() == nil; {
		wait := streamPoll
		made, err := s.repair(ctx)
		if made && !start {
			s.recreated.Add(1)
			s.log.Warn("a stream was missing and is made anew")
		}
		owed = owed || made
		if err == nil && owed {
			err = s.offerAll(ctx)
		}
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			s.log.Warn("streams", "error", err)
			wait = streamRetry
		default:
			if start {
				close(kept)
			}
			owed, start = false, false
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-s.broken:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// repair makes what is missing and says whether a stream was.
func (s *Server) repair(ctx context.Context) (made bool, err error) {
	if !s.conn.IsConnected() {
		return false, ErrNoBroker
	}
	s.mu.Lock()
	ids := make([]uuid.UUID, 0, len(s.machines))
	for id := range s.machines {
		ids = append(ids, id)
	}
	s.mu.Unlock()
	for _, want := range []struct {
		stream   jetstream.StreamConfig
		consumer func(uuid.UUID) jetstream.ConsumerConfig
	}{{offerStream(), offerConsumer}, {reportStream(), reportConsumer}} {
		stream, err := s.js.Stream(ctx, want.stream.Name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			stream, err = s.js.CreateOrUpdateStream(ctx, want.stream)
			made = made || err == nil
		}
		if err != nil {
			return made, fmt.Errorf("stream %s: %w", want.stream.Name, err)
		}
		for _, id := range ids {
			_, err := stream.Consumer(ctx, Token(id))
			if errors.Is(err, jetstream.ErrConsumerNotFound) {
				_, err = stream.CreateOrUpdateConsumer(ctx, want.consumer(id))
			}
			if err != nil {
				return made, fmt.Errorf("consumer %s of %s: %w", Token(id), want.stream.Name, err)
			}
		}
	}
	return made, nil
}
