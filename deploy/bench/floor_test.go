package bench

import (
	"context"
	"crypto/sha256"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"kerfgate/queue/broker"
)

// flushes appends 256 bytes and flushes them, by one writer: the least that durable can cost here.
func (g *ground) flushes(b *testing.B) measured {
	b.Helper()
	f, err := os.OpenFile(filepath.Join(g.dir, "flush"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	data := make([]byte, 256)
	return press(b, 1, func(context.Context, int) error {
		if _, err := f.Write(data); err != nil {
			return err
		}
		return syscall.Fdatasync(int(f.Fd()))
	})
}

// roundTrips asks and is answered over the broker, between two connections of its own.
func (g *ground) roundTrips(b *testing.B) measured {
	b.Helper()
	server, caller := g.dial(b), g.dial(b)
	sub, err := server.Subscribe("bench.echo", func(m *nats.Msg) { _ = m.Respond(m.Data) }) // no answer shows as a time-out
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := server.Flush(); err != nil {
		b.Fatal(err)
	}
	data := make([]byte, 256)
	return press(b, 1, func(context.Context, int) error {
		_, err := caller.Request("bench.echo", data, time.Second)
		return err
	})
}

// dial is a connection over TCP with the server's key.
func (g *ground) dial(b *testing.B) *nats.Conn {
	b.Helper()
	conn, err := broker.Dial(broker.Connection{URL: g.broker.URL(), Key: g.keys.Server, Inbox: broker.ServerInboxPrefix, Name: "bench"})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(conn.Close)
	return conn
}

// hashes is how many bytes a second SHA-256 takes in on one core.
func hashes() float64 {
	data := make([]byte, 1<<20)
	n, began := 0, time.Now()
	for time.Since(began) < span/3 {
		sha256.Sum256(data)
		n += len(data)
	}
	return float64(n) / time.Since(began).Seconds()
}
