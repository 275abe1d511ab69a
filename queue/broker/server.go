package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Config is what the server's side of the broker needs.
type Config struct {
	Conn     *nats.Conn // by Dial, with the server's key
	StopConn *nats.Conn // another one, for stop alone
	Desk     Desk
	Log      *slog.Logger
	// Enrolled is told the workers' keys at the start and whenever one was enrolled, replaced or taken
	// away, so that a broker in this process knows no other. Nil means that somebody else sees to it.
	Enrolled func(keys map[uuid.UUID]string) error
}

// Server is the server's side of the broker. Any number of them may share one broker and one
// database.
type Server struct {
	conn     *nats.Conn
	stopConn *nats.Conn
	desk     Desk
	log      *slog.Logger
	told     func(map[uuid.UUID]string) error
	keys     map[uuid.UUID]string // that told was told
	js       jetstream.JetStream

	nudged chan struct{} // something was committed
	broken chan struct{} // a stream or consumer is missing

	invalid   atomic.Int64 // messages that were thrown away
	recreated atomic.Int64 // times that a stream was missing after the start

	mu       sync.Mutex
	machines map[uuid.UUID]*machine
	waiting  map[waitKey]chan any
	readings readings
}

// machine is one enrolled worker and what is done for it. Each lane is a goroutine of its own, so
// that one machine's slow work never holds up another's, nor plans its go.
type machine struct {
	id     uuid.UUID
	key    string // public nkey
	cancel context.CancelFunc
	plans  chan *nats.Msg // plan and state
	taken  chan *nats.Msg
	heard  time.Time // when it last said or asked anything; guarded by Server.mu
}

// laneLength is how many questions of one machine wait; a worker asks again.
const laneLength = 32

// New starts nothing.
func New(c Config) (*Server, error) {
	if c.Conn == nil || c.StopConn == nil || c.Conn == c.StopConn || c.Desk == nil {
		return nil, errors.New("the broker's server side needs two connections and a desk")
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	js, err := jetstream.New(c.Conn)
	if err != nil {
		return nil, fmt.Errorf("streams: %w", err)
	}
	return &Server{
		conn:     c.Conn,
		stopConn: c.StopConn,
		desk:     c.Desk,
		told:     c.Enrolled,
		log:      c.Log,
		js:       js,
		nudged:   make(chan struct{}, 1),
		broken:   make(chan struct{}, 1),
		machines: map[uuid.UUID]*machine{},
		waiting:  map[waitKey]chan any{},
		readings: readings{latest: map[uuid.UUID]arrived{}, listeners: map[int]func(uuid.UUID, Reading){}},
	}, nil
}

// Nudge says that something was committed. It never blocks.
func (s *Server) Nudge() { nudge(s.nudged) }

func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Counts are for metrics.
type Counts struct {
	Invalid   int64 // messages thrown away because they were unsigned, malformed or misplaced
	Recreated int64 // times that a stream was missing after the start and made anew
}

// Counts since the start.
func (s *Server) Counts() Counts {
	return Counts{Invalid: s.invalid.Load(), Recreated: s.recreated.Load()}
}

// workersPoll is how often enrolment is looked at when nobody nudges.
const workersPoll = 5 * time.Second

// Run serves until ctx is done.
func (s *Server) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	var owned sync.WaitGroup
	defer owned.Wait()
	defer cancel()

	subs, err := s.listen()
	defer func() {
		for _, sub := range subs {
			_ = sub.Unsubscribe() // the connection may be closed already
		}
	}()
	if err != nil {
		return err
	}
	enrolled := make(chan struct{}, 1)
	kept := make(chan struct{})
	owned.Go(func() { s.keepStreams(ctx, kept) })
	owned.Go(func() { s.follow(ctx, enrolled, kept) })

	poll := time.NewTicker(workersPoll)
	defer poll.Stop()
	for {
		s.enrol(ctx, &owned)
		select {
		case <-ctx.Done():
			return nil
		case <-enrolled:
		case <-poll.C:
		}
	}
}

// listen subscribes to what workers say outside of streams. A question goes to one server, an
// answer to all of them: only one has asked.
func (s *Server) listen() ([]*nats.Subscription, error) {
	var subs []*nats.Subscription
	for _, l := range []struct {
		subject string
		queue   string
		handler nats.MsgHandler
	}{
		{"ask.*." + AskPlan, "server", s.onAsk},
		{"ask.*." + AskState, "server", s.onAsk},
		{"ask.*." + AskTaken, "server", s.onTaken},
		{"ask.*." + AskChallenge, "", s.onChallenge},
		{"ask.*." + AskSetup, "", s.onSetup},
		{"reading.*", "", s.onReading},
	} {
		sub, err := s.conn.QueueSubscribe(l.subject, l.queue, l.handler)
		if err != nil {
			return subs, fmt.Errorf("listen on %s: %w", l.subject, err)
		}
		subs = append(subs, sub)
	}
	return subs, nil
}

// enrol starts and ends the lanes of machines as they come and go.
func (s *Server) enrol(ctx context.Context, owned *sync.WaitGroup) {
	keys, err := s.desk.WorkerKeys(ctx)
	if err != nil {
		if ctx.Err() == nil {
			s.log.Error("workers' keys", "error", err)
		}
		return
	}
	// A new worker is listened to before the broker lets it in, since it asks at once. One whose key was taken
	// away is shut out by the broker first: it reaches nothing from there on.
	added := s.listenTo(ctx, keys, owned)
	if s.told != nil && !maps.Equal(keys, s.keys) {
		if err := s.told(keys); err != nil {
			s.log.Error("the broker does not know the workers' keys as they are", "error", err)
		} else {
			s.keys = keys
		}
	}
	s.forget(keys)
	if s.listenTo(ctx, keys, owned) || added { // once more, for machines whose key is another
		nudge(s.broken) // the new machines' consumers
	}
}

// forget ends the lanes of workers whose keys are not among these.
func (s *Server) forget(keys map[uuid.UUID]string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, m := range s.machines {
		if keys[id] != m.key {
			m.cancel()
			delete(s.machines, id)
		}
	}
}

// listenTo starts the lanes of machines that have none, and says whether there were any.
func (s *Server) listenTo(ctx context.Context, keys map[uuid.UUID]string, owned *sync.WaitGroup) (added bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, key := range keys {
		if s.machines[id] != nil {
			continue
		}
		within, cancel := context.WithCancel(ctx)
		m := &machine{id: id, key: key, cancel: cancel,
			plans: make(chan *nats.Msg, laneLength), taken: make(chan *nats.Msg, laneLength)}
		s.machines[id] = m
		owned.Go(func() { s.takeReports(within, m) })
		owned.Go(func() { lane(within, m, m.plans, s.answer) })
		owned.Go(func() { lane(within, m, m.taken, s.take) })
		added = true
	}
	return added
}

func lane(ctx context.Context, m *machine, queue <-chan *nats.Msg, do func(context.Context, *machine, *nats.Msg)) {
	for {
		select {
		case <-ctx.Done():
			return
		case msg := <-queue:
			do(ctx, m, msg)
		}
	}
}

// sender gives the machine that a subject's token names, which is heard by this, nil if there is none.
func (s *Server) sender(token string) *machine {
	id, err := uuid.Parse(token)
	if err != nil || Token(id) != token {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	m := s.machines[id]
	if m != nil {
		m.heard = time.Now()
	}
	return m
}

// Heard is when a machine's worker last said or asked anything of this server; a worker asks for its state every
// few seconds. False for one that was not heard since the start.
func (s *Server) Heard(machine uuid.UUID) (time.Time, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	m := s.machines[machine]
	if m == nil || m.heard.IsZero() {
		return time.Time{}, false
	}
	return m.heard, true
}

// reject throws a message away and says so.
func (s *Server) reject(subject string, err error) {
	s.invalid.Add(1)
	s.log.Warn("message thrown away", "subject", subject, "error", err)
}
