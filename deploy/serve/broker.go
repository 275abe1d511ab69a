package serve

import (
	"context"
	"fmt"
	"net"
	"strconv"

	"kerfgate/queue/broker/embedded"
)

// OwnBroker runs a broker in the server's process: the workers that are enrolled are the ones that it
// knows, from one moment to the next. TLS is that of the server's pages.
type OwnBroker struct {
	*embedded.Broker
	url string // where workers reach it
}

// NewOwnBroker prepares a broker that listens on an address and keeps its streams in a folder.
func NewOwnBroker(listen, dir string, r Reach, cfg Config) (*OwnBroker, error) {
	host, portText, err := net.SplitHostPort(listen)
	if err != nil {
		return nil, fmt.Errorf("broker's listen address: %w", err)
	}
	port, err := strconv.Atoi(portText)
	if err != nil || port <= 0 {
		return nil, fmt.Errorf("broker's listen address %s: workers must find its port again", listen)
	}
	serverKey, err := cfg.Keys.Server.PublicKey()
	if err != nil {
		return nil, err
	}
	b, err := embedded.New(embedded.Config{StoreDir: dir, Host: host, Port: port, TLS: r.TLS, ServerKey: serverKey, Log: cfg.Log})
	if err != nil {
		return nil, err
	}
	scheme := "nats"
	if r.TLS != nil {
		scheme = "tls"
	}
	return &OwnBroker{Broker: b, url: scheme + "://" + net.JoinHostPort(r.Hosts[0], portText)}, nil
}

// RunWith runs the broker, and on it the server of the configuration, until ctx ends. The broker ends
// last, so that what the server says in ending is still carried.
func (b *OwnBroker) RunWith(ctx context.Context, cfg Config, ready func(*Server)) error {
	ground, stop := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ground) }()
	err := func() error {
		select {
		case <-b.Ready():
		case err := <-ended:
			ended <- nil // told here
			return err
		case <-ctx.Done():
			return nil
		}
		cfg.InProcess, cfg.Enrolled, cfg.WorkerBrokerURL = b, b.SetWorkers, b.url
		server, err := Open(ctx, cfg)
		if err != nil {
			return err
		}
		if ready != nil {
			ready(server)
		}
		return server.Run(ctx)
	}()
	stop()
	if endErr := <-ended; err == nil {
		err = endErr
	}
	return err
}
