package embedded

import (
	"context"
	"errors"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"go.uber.org/goleak"

	"kerfgate/queue/broker"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var (
	mill = uuid.MustParse("01890000-0000-7000-8000-0000000000a1")
	pen  = uuid.MustParse("01890000-0000-7000-8000-0000000000a2")
)

const long = 20 * time.Second

func newKey(t testing.TB) (nkeys.KeyPair, string) {
	t.Helper()
	key, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := key.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return key, public
}

func start(t testing.TB, c Config) (b *Broker, stop func()) {
	t.Helper()
	b, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	select {
	case <-b.Ready():
	case err := <-ended:
		t.Fatal(err)
	}
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(stop)
	return b, stop
}

// dial connects and waits until it is up.
func dial(t testing.TB, c broker.Connection) *nats.Conn {
	t.Helper()
	up := make(chan bool, 16)
	c.Changed = func(is bool) {
		if is {
			select {
			case up <- true:
			default:
			}
		}
	}
	conn, err := broker.Dial(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closed(t, conn) })
	if !conn.IsConnected() {
		select {
		case <-up:
		case <-time.After(long):
			t.Fatal("no connection")
		}
	}
	return conn
}

func closed(t testing.TB, conn *nats.Conn) {
	t.Helper()
	if conn.IsClosed() {
		return
	}
	done := conn.StatusChanged(nats.CLOSED)
	conn.Close()
	select {
	case <-done:
	case <-time.After(long):
		t.Error("the connection does not close")
	}
}

// S24: a worker's key does its own work and nothing else. Every other subject is denied, for
// publishing and subscribing, and the denial reaches the error callback.
func TestS24_WorkerGrants(t *testing.T) {
	t.Parallel()
	serverKey, serverPublic := newKey(t)
	millKey, millPublic := newKey(t)
	_, penPublic := newKey(t)
	b, _ := start(t, Config{StoreDir: t.TempDir(), ServerKey: serverPublic, Workers: map[uuid.UUID]string{mill: millPublic, pen: penPublic}})
	ctx, cancel := context.WithTimeout(context.Background(), 3*long)
	defer cancel()

	server := dial(t, broker.Connection{InProcess: b, Key: serverKey, Inbox: broker.ServerInboxPrefix})
	js, err := jetstream.New(server)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []jetstream.StreamConfig{
		{Name: broker.OfferStream, Subjects: []string{"offer.*"}},
		{Name: broker.ReportStream, Subjects: []string{"report.*"}},
	} {
		if _, err := js.CreateStream(ctx, c); err != nil {
			t.Fatal(err)
		}
		for _, m := range []uuid.UUID{mill, pen} {
			subject := strings.Replace(c.Subjects[0], "*", broker.Token(m), 1)
			if _, err := js.CreateConsumer(ctx, c.Name, jetstream.ConsumerConfig{Durable: broker.Token(m), FilterSubject: subject, AckPolicy: jetstream.AckExplicitPolicy}); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, m := range []uuid.UUID{mill, pen} {
		if _, err := js.Publish(ctx, broker.OfferSubject(m), []byte("prepare")); err != nil {
			t.Fatal(err)
		}
	}

	problems := make(chan error, 1024)
	worker := dial(t, broker.Connection{URL: b.URL(), Key: millKey, Inbox: broker.InboxPrefix(mill), Problem: func(err error) { problems <- err }})
	denied := func(subject string) {
		t.Helper()
		if err := worker.FlushTimeout(long); err != nil {
			t.Fatal(err)
		}
		select {
		case err := <-problems:
			if !errors.Is(err, broker.ErrDenied) || !strings.Contains(err.Error(), `"`+subject+`"`) {
				t.Errorf("%s: %v", subject, err)
			}
		case <-time.After(long):
			t.Errorf("%s: no denial was reported", subject)
		}
	}

	// What reaches anybody is seen by the server's own key.
	seen, err := server.SubscribeSync(">")
	if err != nil {
		t.Fatal(err)
	}
	if err := server.Flush(); err != nil {
		t.Fatal(err)
	}
	m, p := broker.Token(mill), broker.Token(pen)
	everyKind := func(token string) []string {
		var list []string
		for _, kind := range []string{"offer", "challenge", "permit", "go", "void", "resume", "handover", "setup", "lockout", "applied", "stop", "wake"} {
			list = append(list, kind+"."+token)
		}
		return list
	}
	fromWorker := func(token string) []string {
		return []string{"report." + token, "reading." + token, "ask." + token + ".plan", "ask." + token + ".state",
			"ask." + token + ".challenge", "ask." + token + ".taken", "ask." + token + ".setup"}
	}
	api := []string{
		"$JS.API.INFO", "$JS.API.STREAM.NAMES", "$JS.API.STREAM.LIST",
		"$JS.API.STREAM.CREATE.X", "$JS.API.STREAM.UPDATE.OFFER", "$JS.API.STREAM.INFO.OFFER", "$JS.API.STREAM.DELETE.OFFER",
		"$JS.API.STREAM.PURGE.REPORT", "$JS.API.STREAM.MSG.GET.OFFER", "$JS.API.STREAM.MSG.DELETE.REPORT",
		"$JS.API.STREAM.SNAPSHOT.OFFER", "$JS.API.DIRECT.GET.OFFER", "$JS.API.CONSUMER.LIST.OFFER", "$JS.API.CONSUMER.NAMES.OFFER",
		"$JS.API.CONSUMER.CREATE.OFFER." + m, "$JS.API.CONSUMER.CREATE.OFFER." + m + ".offer." + m,
		"$JS.API.CONSUMER.DURABLE.CREATE.OFFER." + m, "$JS.API.CONSUMER.DELETE.OFFER." + m,
		"$JS.API.CONSUMER.INFO.OFFER." + p, "$JS.API.CONSUMER.MSG.NEXT.OFFER." + p, "$JS.API.CONSUMER.DELETE.OFFER." + p,
		"$JS.API.CONSUMER.INFO.REPORT." + m, "$JS.API.CONSUMER.MSG.NEXT.REPORT." + m,
		"$JS.ACK.OFFER." + p + ".1.1.1.1.0", "$JS.ACK.REPORT." + m + ".1.1.1.1.0", "$JS.FC.OFFER." + m + ".x",
		"$SYS.REQ.SERVER.PING", "$SYS.REQ.USER.INFO",
		"stop.all", "_INBOX.x", "_INBOX_server.x", broker.InboxPrefix(pen) + ".x", broker.InboxPrefix(mill) + ".x",
		"offer", "report", "anything",
	}
	for _, list := range [][]string{everyKind(m), everyKind(p), fromWorker(p), api} {
		for _, subject := range list {
			if err := worker.Publish(subject, []byte("forged")); err != nil {
				t.Fatalf("%s: %v", subject, err)
			}
			denied(subject)
		}
	}
	for _, list := range [][]string{everyKind(p), fromWorker(p), fromWorker(m), {
		">", "*", "*.>", "*.*", "*." + m, "offer." + m, "$JS.>", "$JS.API.>", "$JS.ACK.>", "$SYS.>", "_INBOX.>", "_INBOX_server.>",
		broker.InboxPrefix(pen) + ".>", "_INBOX_*.>", "permit.*", "permit.>", "stop.*", "stop.>", "ask.>", "report.*", "reading.*",
		"$JS.EVENT.>", "$JS.API.CONSUMER.MSG.NEXT.OFFER." + m,
	}} {
		for _, subject := range list {
			for _, queue := range []string{"", "server"} {
				sub, err := worker.QueueSubscribeSync(subject, queue)
				if err != nil {
					t.Fatalf("%s: %v", subject, err)
				}
				denied(subject)
				_ = sub.Unsubscribe()
			}
		}
	}
	if err := worker.FlushTimeout(long); err != nil {
		t.Fatal(err)
	}
	if err := server.Publish("marker", nil); err != nil {
		t.Fatal(err)
	}
	for {
		msg, err := seen.NextMsg(long)
		if err != nil {
			t.Fatal(err)
		}
		if msg.Subject == "marker" {
			break
		}
		if string(msg.Data) == "forged" {
			t.Errorf("a denied publish to %s arrived", msg.Subject)
		}
	}

	// Another machine's offers cannot be read: the client reports it as a time-out, the callback
	// as what it is. They are still there for their own worker.
	workerJS, err := jetstream.New(worker)
	if err != nil {
		t.Fatal(err)
	}
	short, cancelShort := context.WithTimeout(ctx, 500*time.Millisecond)
	defer cancelShort()
	if _, err := workerJS.Consumer(short, broker.OfferStream, p); err == nil {
		t.Error("another machine's consumer is open")
	}
	denied("$JS.API.CONSUMER.INFO.OFFER." + p)

	// Its own work.
	own, err := workerJS.Consumer(ctx, broker.OfferStream, m)
	if err != nil {
		t.Fatal(err)
	}
	msg, err := own.Next(jetstream.FetchMaxWait(long))
	if err != nil || msg.Subject() != "offer."+m {
		t.Fatalf("%v, %v", msg, err)
	}
	if err := msg.DoubleAck(ctx); err != nil {
		t.Error(err)
	}
	if _, err := workerJS.Publish(ctx, "report."+m, []byte("done")); err != nil {
		t.Error(err)
	}
	subjects := append(everyKind(m)[1:], "stop.all") // not the offer's
	var subs []*nats.Subscription
	for _, subject := range subjects {
		sub, err := worker.SubscribeSync(subject)
		if err != nil {
			t.Fatal(err)
		}
		subs = append(subs, sub)
	}
	if err := worker.FlushTimeout(long); err != nil {
		t.Fatal(err)
	}
	for i, subject := range subjects {
		if err := server.Publish(subject, []byte(subject)); err != nil {
			t.Fatal(err)
		}
		if msg, err := subs[i].NextMsg(long); err != nil || string(msg.Data) != subject {
			t.Errorf("%s: %v", subject, err)
		}
	}
	answerer, err := server.Subscribe("ask."+m+".state", func(msg *nats.Msg) { _ = msg.Respond([]byte("state")) })
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = answerer.Unsubscribe() }()
	if err := server.Flush(); err != nil {
		t.Fatal(err)
	}
	if got, err := worker.Request("ask."+m+".state", nil, long); err != nil || string(got.Data) != "state" {
		t.Errorf("state: %v", err)
	}
	select {
	case err := <-problems:
		t.Errorf("own work: %v", err)
	default:
	}
}

func TestStrangersAreRefused(t *testing.T) {
	t.Parallel()
	_, serverPublic := newKey(t)
	strangerKey, strangerPublic := newKey(t)
	b, _ := start(t, Config{StoreDir: t.TempDir(), ServerKey: serverPublic})
	if conn, err := nats.Connect(b.URL()); err == nil {
		conn.Close()
		t.Error("connected without a key")
	}
	// A client that shows a known key without having it.
	if conn, err := nats.Connect(b.URL(), nats.Nkey(serverPublic, strangerKey.Sign)); err == nil {
		conn.Close()
		t.Error("connected with another's public key")
	}

	problems := make(chan error, 1024)
	up := make(chan bool, 1024)
	conn, err := broker.Dial(broker.Connection{URL: b.URL(), Key: strangerKey, Inbox: broker.InboxPrefix(mill),
		Problem: func(err error) { problems <- err }, Changed: func(is bool) { up <- is }})
	if err != nil {
		t.Fatal(err)
	}
	defer closed(t, conn)
	select {
	case err := <-problems:
		if !errors.Is(err, broker.ErrKeyRefused) {
			t.Fatal(err)
		}
	case <-up:
		t.Fatal("connected with a key that nobody knows")
	case <-time.After(long):
		t.Fatal("no problem was reported")
	}
	// Enrolled while it tries, it gets in by itself.
	if err := b.SetWorkers(map[uuid.UUID]string{mill: strangerPublic}); err != nil {
		t.Fatal(err)
	}
	waitFor(t, up, true)
}

func waitFor(t testing.TB, up <-chan bool, want bool) {
	t.Helper()
	timeout := time.After(long)
	for {
		select {
		case is := <-up:
			if is == want {
				return
			}
		case <-timeout:
			t.Fatalf("connection up: still not %v", want)
		}
	}
}

// A replaced key is cut off at once; the other worker's connection, the server's and the streams
// stay.
func TestSetWorkersWhileRunning(t *testing.T) {
	t.Parallel()
	serverKey, serverPublic := newKey(t)
	oldKey, oldPublic := newKey(t)
	_, newPublic := newKey(t)
	penKey, penPublic := newKey(t)
	b, _ := start(t, Config{StoreDir: t.TempDir(), ServerKey: serverPublic, Workers: map[uuid.UUID]string{mill: oldPublic, pen: penPublic}})
	server := dial(t, broker.Connection{InProcess: b, Key: serverKey, Inbox: broker.ServerInboxPrefix})
	js, err := jetstream.New(server)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*long)
	defer cancel()
	stream, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: "OFFER", Subjects: []string{"offer.*"}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(ctx, "offer.x", nil); err != nil {
		t.Fatal(err)
	}
	up := make(chan bool, 1024)
	replaced, err := broker.Dial(broker.Connection{URL: b.URL(), Key: oldKey, Inbox: broker.InboxPrefix(mill), Changed: func(is bool) { up <- is }})
	if err != nil {
		t.Fatal(err)
	}
	defer closed(t, replaced)
	waitFor(t, up, true)
	stays := dial(t, broker.Connection{URL: b.URL(), Key: penKey, Inbox: broker.InboxPrefix(pen)})

	if err := b.SetWorkers(map[uuid.UUID]string{mill: newPublic, pen: penPublic}); err != nil {
		t.Fatal(err)
	}
	waitFor(t, up, false)
	if err := stays.FlushTimeout(long); err != nil || stays.Statistics.Reconnects != 0 {
		t.Errorf("the other worker was cut off: %v, %d reconnects", err, stays.Statistics.Reconnects)
	}
	if server.Statistics.Reconnects != 0 {
		t.Error("the server was cut off")
	}
	if _, err := js.Publish(ctx, "offer.x", nil); err != nil {
		t.Errorf("streams after workers were replaced: %v", err)
	}
	if info, err := stream.Info(ctx); err != nil || info.State.Msgs != 2 {
		t.Errorf("%+v, %v", info, err)
	}
	// Grants follow the machine, not the connection.
	for name, workers := range map[string]map[uuid.UUID]string{
		"one key twice":    {mill: penPublic, pen: penPublic},
		"the server's key": {mill: serverPublic},
		"no key":           {mill: ""},
		"no machine":       {uuid.Nil: newPublic},
	} {
		if err := b.SetWorkers(workers); !errors.Is(err, ErrConfig) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := stays.FlushTimeout(long); err != nil {
		t.Errorf("a refused change changed something: %v", err)
	}
}

// Keys come and go while workers connect and while the server's streams are busy: nobody else is
// disturbed, nothing is left open for a key that is gone, and the race detector has nothing to say.
func TestKeysChangeUnderLoad(t *testing.T) {
	t.Parallel()
	serverKey, serverPublic := newKey(t)
	comesKey, comesPublic := newKey(t)
	penKey, penPublic := newKey(t)
	b, _ := start(t, Config{StoreDir: t.TempDir(), ServerKey: serverPublic, Workers: map[uuid.UUID]string{pen: penPublic}})
	server := dial(t, broker.Connection{InProcess: b, Key: serverKey, Inbox: broker.ServerInboxPrefix})
	stays := dial(t, broker.Connection{URL: b.URL(), Key: penKey, Inbox: broker.InboxPrefix(pen)})
	js, err := jetstream.New(server)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*long)
	defer cancel()
	if _, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: "OFFER", Subjects: []string{"offer.*"}}); err != nil {
		t.Fatal(err)
	}
	const rounds = 30
	var busy sync.WaitGroup
	busy.Go(func() {
		for range rounds {
			if _, err := js.Publish(ctx, "offer.x", nil); err != nil {
				t.Errorf("streams while keys change: %v", err)
				return
			}
		}
	})
	busy.Go(func() {
		for range rounds { // refused or admitted, as it falls
			if conn, err := nats.Connect(b.URL(), nats.Nkey(comesPublic, comesKey.Sign)); err == nil {
				conn.Close()
			}
		}
	})
	for i := range rounds {
		workers := map[uuid.UUID]string{pen: penPublic}
		if i%2 == 0 {
			workers[mill] = comesPublic
		}
		if err := b.SetWorkers(workers); err != nil {
			t.Error(err)
		}
	}
	busy.Wait()
	if conn, err := nats.Connect(b.URL(), nats.Nkey(comesPublic, comesKey.Sign)); err == nil {
		conn.Close()
		t.Error("connected with a key that was taken away")
	}
	if err := stays.FlushTimeout(long); err != nil || stays.Statistics.Reconnects != 0 {
		t.Errorf("the worker that stays: %v, %d reconnects", err, stays.Statistics.Reconnects)
	}
}

// A broker that acknowledges before it has synced loses reports in a power cut.
func TestStreamsAreSyncedBeforeTheyAreAcknowledged(t *testing.T) {
	t.Parallel()
	_, serverPublic := newKey(t)
	b, _ := start(t, Config{StoreDir: t.TempDir(), ServerKey: serverPublic})
	c := b.running().JetStreamConfig()
	if c == nil || !c.SyncAlways {
		t.Errorf("%+v", c)
	}
	if err := b.SetWorkers(nil); err != nil {
		t.Fatal(err)
	}
	if c := b.running().JetStreamConfig(); c == nil || !c.SyncAlways {
		t.Errorf("after workers were replaced: %+v", c)
	}
	if address := b.running().MonitorAddr(); address != nil {
		t.Errorf("monitoring listens on %v", address)
	}
	if host, _, err := net.SplitHostPort(strings.TrimPrefix(b.URL(), "nats://")); err != nil || !net.ParseIP(host).IsLoopback() {
		t.Errorf("%s: %v", b.URL(), err)
	}
}

func TestRestartKeepsStreams(t *testing.T) {
	t.Parallel()
	serverKey, serverPublic := newKey(t)
	c := Config{StoreDir: t.TempDir(), ServerKey: serverPublic}
	ctx, cancel := context.WithTimeout(context.Background(), 2*long)
	defer cancel()
	for round := range 3 {
		b, stop := start(t, c)
		server := dial(t, broker.Connection{InProcess: b, Key: serverKey, Inbox: broker.ServerInboxPrefix})
		js, err := jetstream.New(server)
		if err != nil {
			t.Fatal(err)
		}
		stream, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{Name: "REPORT", Subjects: []string{"report.*"}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := js.Publish(ctx, "report.x", []byte{byte(round)}); err != nil {
			t.Fatal(err)
		}
		info, err := stream.Info(ctx)
		if err != nil || info.State.Msgs != uint64(round+1) {
			t.Fatalf("round %d: %+v, %v", round, info, err)
		}
		closed(t, server)
		stop()
		if b.URL() != "" {
			t.Error("stopped and still has an address")
		}
		if _, err := b.InProcessConn(); !errors.Is(err, ErrNotOpen) {
			t.Errorf("stopped: %v", err)
		}
	}
}

func TestConfigIsChecked(t *testing.T) {
	t.Parallel()
	_, public := newKey(t)
	for name, c := range map[string]Config{
		"no folder":             {ServerKey: public},
		"no key":                {StoreDir: "x"},
		"in the open":           {StoreDir: "x", ServerKey: public, Host: "0.0.0.0"},
		"name without an IP":    {StoreDir: "x", ServerKey: public, Host: "garden.example"},
		"worker has server key": {StoreDir: "x", ServerKey: public, Workers: map[uuid.UUID]string{mill: public}},
	} {
		if _, err := New(c); !errors.Is(err, ErrConfig) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestPortInUse(t *testing.T) {
	t.Parallel()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	_, public := newKey(t)
	b, err := New(Config{StoreDir: t.TempDir(), ServerKey: public, Port: taken.Addr().(*net.TCPAddr).Port})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Run(context.Background()); !errors.Is(err, ErrStart) {
		t.Error(err)
	}
}
