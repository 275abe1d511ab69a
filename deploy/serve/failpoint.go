package serve

import (
	"context"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"

	"kerfgate/db"
	"kerfgate/queue/broker"
)

// Failpoints stand at the two seams of the start protocol, so that a test can kill the server
// before and after each of its steps; the product's own code knows nothing of them.
const (
	BeforeChallenge = "server before challenge"
	AfterChallenge  = "server after challenge"
	BeforePermit    = "server before permit" // the sign-off is committed, the permit not sent
	AfterPermit     = "server after permit"
	BeforeTake      = "server before take" // the worker burned, the database not
	AfterTake       = "server after take"  // both burned, go not sent
	BeforeApply     = "server before apply"
	AfterApply      = "server after apply" // committed, the worker not told
)

// Failpoints lists them in the order of a start.
func Failpoints() []string {
	return []string{BeforeChallenge, AfterChallenge, BeforePermit, AfterPermit, BeforeTake, AfterTake, BeforeApply, AfterApply}
}

type failpoint func(name string)

func (f failpoint) at(name string) {
	if f != nil {
		f(name)
	}
}

// floor is the broker as the HTTP side sees it.
type floor struct {
	*broker.Server
	fail failpoint
	conn *nats.Conn
}

// Connected says whether the broker is reached now.
func (f floor) Connected() bool { return f.conn.IsConnected() }

func (f floor) Challenge(ctx context.Context, machine, run uuid.UUID, purpose string) ([32]byte, error) {
	if purpose != broker.PurposeStart {
		return f.Server.Challenge(ctx, machine, run, purpose)
	}
	f.fail.at(BeforeChallenge)
	challenge, err := f.Server.Challenge(ctx, machine, run, purpose)
	f.fail.at(AfterChallenge)
	return challenge, err
}

func (f floor) Permit(machine uuid.UUID, note []byte) error {
	f.fail.at(BeforePermit)
	err := f.Server.Permit(machine, note)
	f.fail.at(AfterPermit)
	return err
}

// desk is the store as the broker sees it.
type desk struct {
	*db.Store
	fail failpoint
}

func (d desk) Take(ctx context.Context, machine uuid.UUID, taken broker.Taken) ([]byte, error) {
	d.fail.at(BeforeTake)
	note, err := d.Store.Take(ctx, machine, taken)
	d.fail.at(AfterTake)
	return note, err
}

func (d desk) Apply(ctx context.Context, machine uuid.UUID, report broker.Report) (int64, []byte, error) {
	d.fail.at(BeforeApply)
	applied, note, err := d.Store.Apply(ctx, machine, report)
	d.fail.at(AfterApply)
	return applied, note, err
}
