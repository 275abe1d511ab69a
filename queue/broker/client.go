package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
)

// Handlers are what a worker does about each message. Every one but Offer runs in a goroutine of
// its own subject: it may take its time without holding up another subject. Notes come as sent and
// are for package checklist/permit to judge. A nil handler is skipped.
type Handlers struct {
	// Offer prepares a run. The offer comes again, after 30 s or a reconnect, unless it answers nil;
	// it must answer the same offer twice with the same result.
	Offer     func(context.Context, Offer) error
	Challenge func(ChallengeAsk) // answered with Client.AnswerChallenge
	Setup     func(SetupCommand) // answered with Client.AnswerSetup
	Permit    func(note []byte)
	Go        func(note []byte)
	Void      func(note []byte)
	Resume    func(note []byte)
	Handover  func(note []byte)
	Lockout   func(note []byte)
	Applied   func(note []byte)
	Pause     func(Pause)
	Wake      func() // ask for the state again
	// Stop comes on its own connection. Whatever arrives on a stop subject is a stop, readable or not.
	Stop func(Stop)
}

// ClientConfig is what a worker needs of the broker.
type ClientConfig struct {
	Conn     *nats.Conn // by Dial, with InboxPrefix(Machine)
	StopConn *nats.Conn // another one, for stop alone
	Key      nkeys.KeyPair
	Machine  uuid.UUID
	Handlers Handlers
	Log      *slog.Logger
}

// Client is the worker's side of the broker. Its methods may be called before, during and after
// Run.
type Client struct {
	ClientConfig
	js      jetstream.JetStream
	counter atomic.Int64
}

// ErrRefused is an answer from the server that says no.
var ErrRefused = errors.New("the server refuses")

// NewClient starts nothing.
func NewClient(c ClientConfig) (*Client, error) {
	if c.Conn == nil || c.StopConn == nil || c.Conn == c.StopConn || c.Key == nil || c.Machine == uuid.Nil {
		return nil, errors.New("a worker needs two broker connections, a key and a machine")
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	js, err := jetstream.New(c.Conn)
	if err != nil {
		return nil, fmt.Errorf("streams: %w", err)
	}
	client := &Client{ClientConfig: c, js: js}
	// Never falls, unless the clock was set back between two starts; what it numbers answers a
	// challenge or a question of its own, so the server does not hold it against the worker.
	client.counter.Store(time.Now().UnixMicro())
	return client, nil
}

// Run hands messages to the handlers until ctx is done.
func (c *Client) Run(ctx context.Context) error {
	m, h := c.Machine, c.Handlers
	raw := func(f func([]byte)) nats.MsgHandler {
		if f == nil {
			return nil
		}
		return func(msg *nats.Msg) { f(msg.Data) }
	}
	listen := []struct {
		conn    *nats.Conn
		subject string
		handler nats.MsgHandler
	}{
		// Stop first.
		{c.StopConn, StopSubject(m), c.onStop(h.Stop)},
		{c.StopConn, StopAllSubject, c.onStop(h.Stop)},
		{c.Conn, ChallengeSubject(m), decoded(c, h.Challenge)},
		{c.Conn, SetupSubject(m), decoded(c, h.Setup)},
		{c.Conn, PermitSubject(m), raw(h.Permit)},
		{c.Conn, GoSubject(m), raw(h.Go)},
		{c.Conn, VoidSubject(m), raw(h.Void)},
		{c.Conn, ResumeSubject(m), raw(h.Resume)},
		{c.Conn, HandoverSubject(m), raw(h.Handover)},
		{c.Conn, LockoutSubject(m), raw(h.Lockout)},
		{c.Conn, AppliedSubject(m), raw(h.Applied)},
		{c.Conn, PauseSubject(m), decoded(c, h.Pause)},
		{c.Conn, WakeSubject(m), c.onWake(h.Wake)},
	}
	var subs []*nats.Subscription
	defer func() {
		for _, sub := range subs {
			_ = sub.Unsubscribe() // the connection may be closed already
		}
	}()
	for _, l := range listen {
		if l.handler == nil {
			continue
		}
		sub, err := l.conn.Subscribe(l.subject, l.handler)
		if err != nil {
			return fmt.Errorf("listen on %s: %w", l.subject, err)
		}
		subs = append(subs, sub)
	}
	if h.Offer != nil {
		c.fetchOffers(ctx)
	}
	<-ctx.Done()
	return nil
}

func (c *Client) onStop(f func(Stop)) nats.MsgHandler {
	if f == nil {
		return nil
	}
	return func(msg *nats.Msg) {
		var stop Stop
		if err := decode(msg.Data, &stop); err != nil {
			stop = Stop{Reason: "unreadable stop"}
		}
		f(stop)
	}
}

func (c *Client) onWake(f func()) nats.MsgHandler {
	if f == nil {
		return nil
	}
	return func(*nats.Msg) { f() }
}

func decoded[T any](c *Client, f func(T)) nats.MsgHandler {
	if f == nil {
		return nil
	}
	return func(msg *nats.Msg) {
		var message T
		if err := decode(msg.Data, &message); err != nil {
			c.Log.Warn("message dropped", "subject", msg.Subject, "error", err)
			return
		}
		f(message)
	}
}

// Report hands a report to the report stream and waits until the stream has it on disk. That is
// not yet applied: only the server's applied statement takes it out of the journal.
func (c *Client) Report(ctx context.Context, r Report) error {
	data, err := Seal(c.Key, c.Machine, KindReport, r.Number, r)
	if err != nil {
		return err
	}
	if !c.Conn.IsConnected() {
		return fmt.Errorf("%w: report %d", ErrNoBroker, r.Number)
	}
	key, err := c.Key.PublicKey()
	if err != nil {
		return fmt.Errorf("worker's key: %w", err)
	}
	_, err = c.js.Publish(ctx, ReportSubject(c.Machine), data,
		jetstream.WithMsgID(reportID(c.Machine, key, r.Number)), jetstream.WithRetryAttempts(0))
	if err != nil {
		return fmt.Errorf("%w: report %d: %w", ErrNoBroker, r.Number, err)
	}
	return nil
}

// reportID names the key too: a report that was thrown away because its key was replaced is no duplicate
// of the same one, signed by the new key.
func reportID(m uuid.UUID, key string, number int64) string {
	return Token(m) + "-" + key + "-" + strconv.FormatInt(number, 10)
}

// PlanChunk asks for a part of a plan. The server may send less than asked, and more than nothing.
// Errors wrap ErrNoBroker or ErrRefused.
func (c *Client) PlanChunk(ctx context.Context, ask PlanAsk) ([]byte, error) {
	var chunk PlanChunk
	if err := c.ask(ctx, AskPlan, ask, &chunk); err != nil {
		return nil, err
	}
	if chunk.Problem != "" {
		return nil, fmt.Errorf("%w: plan %s at %d: %s", ErrRefused, ask.Plan.Short(), ask.Offset, chunk.Problem)
	}
	if int64(len(chunk.Data)) > ask.Length {
		return nil, fmt.Errorf("%w: %d bytes of a plan, %d asked", ErrForm, len(chunk.Data), ask.Length)
	}
	return chunk.Data, nil
}

// State asks what the database holds about the machine. Errors wrap ErrNoBroker.
func (c *Client) State(ctx context.Context, ask StateAsk) (State, error) {
	var state State
	if err := c.ask(ctx, AskState, ask, &state); err != nil {
		return State{}, err
	}
	return state, nil
}

func (c *Client) ask(ctx context.Context, what string, question, answer any) error {
	data, err := Encode(question)
	if err != nil {
		return err
	}
	if !c.Conn.IsConnected() {
		return fmt.Errorf("%w: ask for %s", ErrNoBroker, what)
	}
	msg, err := c.Conn.RequestWithContext(ctx, AskSubject(c.Machine, what), data)
	if err != nil {
		return fmt.Errorf("%w: ask for %s: %w", ErrNoBroker, what, err)
	}
	return decode(msg.Data, answer)
}

// AnswerChallenge answers Handlers.Challenge.
func (c *Client) AnswerChallenge(a ChallengeAnswer) error {
	return c.tell(AskChallenge, KindChallenge, a)
}

// Taken says that a permit is burned; the answer comes to Handlers.Go.
func (c *Client) Taken(t Taken) error { return c.tell(AskTaken, KindTaken, t) }

// AnswerSetup answers Handlers.Setup.
func (c *Client) AnswerSetup(r SetupResult) error { return c.tell(AskSetup, KindSetup, r) }

func (c *Client) tell(what, kind string, message any) error {
	data, err := Seal(c.Key, c.Machine, kind, c.counter.Add(1), message)
	if err != nil {
		return err
	}
	return send(c.Conn, AskSubject(c.Machine, what), data)
}

// Reading sends a reading; one that cannot be sent is dropped.
func (c *Client) Reading(r Reading) error {
	data, err := Encode(r)
	if err != nil {
		return err
	}
	if !c.Conn.IsConnected() {
		return ErrNoBroker
	}
	return c.Conn.Publish(ReadingSubject(c.Machine), data)
}
