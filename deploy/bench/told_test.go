package bench

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"kerfgate/queue/broker"
)

// told is how long after the call, and after the commit, of a submitted job its worker has the offer.
// The worker here only listens.
func (w *workshop) told(b *testing.B) (fromCall, fromCommit measured) {
	b.Helper()
	link := func(name string) broker.Connection {
		return broker.Connection{URL: w.broker.URL(), Key: w.key, Inbox: broker.InboxPrefix(w.machine.ID), Name: name}
	}
	conn, err := broker.Dial(link("listener"))
	w.must(err)
	defer conn.Close()
	stop, err := broker.Dial(link("listener stop"))
	w.must(err)
	defer stop.Close()
	offers := make(chan time.Time, 64)
	client, err := broker.NewClient(broker.ClientConfig{Conn: conn, StopConn: stop, Key: w.key, Machine: w.machine.ID, Handlers: broker.Handlers{
		Offer: func(_ context.Context, o broker.Offer) error {
			if !o.Withdrawn {
				offers <- time.Now()
			}
			return nil
		}}})
	w.must(err)
	ctx, end := context.WithCancel(b.Context())
	defer end()
	go func() { _ = client.Run(ctx) }() // ends with ctx
	var committed atomic.Int64
	w.store.SetCommitHook(func(int64) {
		committed.Store(time.Now().UnixNano())
		w.floor.Nudge()
	})
	defer w.store.SetCommitHook(func(int64) { w.floor.Nudge() })
	var calls, commits []time.Duration
	began := time.Now()
	for i := range 110 {
		called := time.Now()
		job := w.submit()
		at := time.Unix(0, committed.Load())
		select {
		case heard := <-offers:
			if i >= 10 { // the first wake up what is slow once
				calls, commits = append(calls, heard.Sub(called)), append(commits, heard.Sub(at))
			}
		case <-time.After(time.Minute):
			b.Fatal("the worker was not told within a minute")
		}
		_, err := w.store.WithdrawJob(b.Context(), w.member, job.ID, 0)
		w.must(err)
		time.Sleep(5 * time.Millisecond) // the follower tells of the withdrawal
		for len(offers) > 0 {
			<-offers
		}
	}
	return of(calls, time.Since(began)), of(commits, time.Since(began))
}
