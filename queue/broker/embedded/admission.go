package embedded

import (
	"encoding/base64"
	"fmt"

	"github.com/google/uuid"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"

	"kerfgate/queue/broker"
)

// admission decides who may connect, by the keys that are enrolled at that moment. The broker asks
// it for each connection, so enrolling needs no reload of the broker's options, which would write
// to accounts under the hands of clients that are talking.
type admission struct{ b *Broker }

// Check admits a client that has signed the nonce of this connection with an enrolled key, and
// grants it what that key may publish and subscribe to.
func (a admission) Check(c server.ClientAuthentication) bool {
	if c.Kind() != server.CLIENT {
		return false
	}
	key, signature := c.GetOpts().Nkey, c.GetOpts().Sig
	user := &server.User{}
	if key != a.b.config.ServerKey {
		machine, enrolled := a.b.machineOf(key)
		if !enrolled {
			return false
		}
		grants := broker.WorkerGrants(machine)
		user.Permissions = &server.Permissions{
			Publish:   &server.SubjectPermission{Allow: grants.Publish},
			Subscribe: &server.SubjectPermission{Allow: grants.Subscribe},
		}
	}
	public, err := nkeys.FromPublicKey(key)
	if err != nil {
		return false
	}
	signed, err := base64.RawURLEncoding.DecodeString(signature)
	if err != nil || public.Verify(c.GetNonce(), signed) != nil {
		return false
	}
	c.RegisterUser(user)
	return true
}

func (b *Broker) machineOf(key string) (uuid.UUID, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for m, k := range b.workers {
		if k == key {
			return m, true
		}
	}
	return uuid.Nil, false
}

// cut ends the connections that key has opened. A client shows its key to the broker before it is
// checked, so that none is admitted by the keys as they were and missed here.
func cut(s *server.Server, key string) error {
	open, err := s.Connz(&server.ConnzOptions{Username: true, User: key, State: server.ConnOpen, Limit: connectionsOfAKey})
	if err != nil {
		return fmt.Errorf("list connections: %w", err)
	}
	for _, c := range open.Conns {
		_ = s.DisconnectClientByID(c.Cid) // it may have gone by itself since
	}
	return nil
}

// connectionsOfAKey bounds the list of what is cut; a worker has one, two while it reconnects.
const connectionsOfAKey = 4096
