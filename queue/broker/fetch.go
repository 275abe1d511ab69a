package broker

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Times of the offer loop.
const (
	fetchWait      = 10 * time.Second
	fetchHeartbeat = time.Second // two missed: the broker lost the request, fetch anew
	fetchRetry     = 500 * time.Millisecond
)

// fetchOffers takes offers from the machine's own consumer, one at a time, until ctx is done. It
// needs no right but to ask about that consumer and for its next message.
func (c *Client) fetchOffers(ctx context.Context) {
	for ctx.Err() == nil {
		consumer, err := c.js.Consumer(ctx, OfferStream, Token(c.Machine))
		if err != nil {
			c.Log.Debug("no offers now", "error", err)
			pause(ctx, fetchRetry)
			continue
		}
		for ctx.Err() == nil {
			msg, err := next(ctx, c.Conn, consumer)
			if err != nil {
				c.Log.Debug("no offers now", "error", err)
				pause(ctx, fetchRetry)
				break
			}
			if msg != nil {
				c.offer(ctx, msg)
			}
		}
	}
}

func (c *Client) offer(ctx context.Context, msg jetstream.Msg) {
	var offer Offer
	if err := decode(msg.Data(), &offer); err != nil || offer.Machine != c.Machine {
		c.Log.Warn("offer dropped", "machine", offer.Machine, "error", err)
		_ = msg.Term()
		return
	}
	if err := c.Handlers.Offer(ctx, offer); err != nil {
		c.Log.Warn("offer not taken", "run", offer.Run, "error", err)
		_ = msg.NakWithDelay(5 * time.Second)
		return
	}
	if err := msg.Ack(); err != nil {
		c.Log.Debug("offer comes again", "run", offer.Run, "error", err)
	}
}

// next waits for one message. Nil without an error means that there was none.
func next(ctx context.Context, conn *nats.Conn, consumer jetstream.Consumer) (jetstream.Msg, error) {
	if !conn.IsConnected() {
		// A fetch that cannot be sent would leave its subscription behind.
		return nil, ErrNoBroker
	}
	within, cancel := context.WithTimeout(ctx, fetchWait)
	defer cancel()
	batch, err := consumer.Fetch(1, jetstream.FetchContext(within), jetstream.FetchHeartbeat(fetchHeartbeat))
	if err != nil {
		return nil, err
	}
	if msg := <-batch.Messages(); msg != nil {
		return msg, nil
	}
	err = batch.Error()
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrTimeout) || ctx.Err() != nil {
		return nil, nil
	}
	return nil, err
}

func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
