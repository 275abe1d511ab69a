package serve

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"

	"kerfgate/api/enrol"
	"kerfgate/deploy/keyring"
)

// Network says how a server is reached. On loopback it speaks plain HTTP; anywhere else TLS, by the
// site's own CA, which is made when it is first needed, or by a certificate that somebody else signed.
type Network struct {
	Listen string
	// Hosts are the names and addresses that people and workers use for it, the first before the others.
	// Empty takes this computer's own on its local networks.
	Hosts []string
	// Cert and Key are files of a certificate from elsewhere; CA that of the authority that signed it, for
	// workers and stations to know it by, empty where every device knows it already.
	Cert, Key, CA string

	Keys   keyring.Keys
	KeyDir string
	Site   string
}

// Reach is an open network: what Config and a broker in this process need of it.
type Reach struct {
	Listener net.Listener
	TLS      *tls.Config // nil for plain HTTP on loopback
	Trust    enrol.Trust
	CA       *keyring.CA // the site's own; nil on loopback, and with a certificate from elsewhere
	Hosts    []string    // names and addresses of this server; the first is told to workers and stations
	Origin   string
}

// Open listens. The listener is the caller's to close.
func (n Network) Open(ctx context.Context) (r Reach, err error) {
	if r.Listener, err = (&net.ListenConfig{}).Listen(ctx, "tcp", n.Listen); err != nil {
		return r, err
	}
	if err = n.open(&r); err != nil {
		err = errors.Join(err, r.Listener.Close())
	}
	return r, err
}

func (n Network) open(r *Reach) error {
	address, ok := r.Listener.Addr().(*net.TCPAddr)
	if !ok {
		return fmt.Errorf("%s is no TCP address", r.Listener.Addr())
	}
	hosts := slices.Clone(n.Hosts)
	if len(hosts) == 0 {
		var err error
		if hosts, err = ownHosts(address.IP); err != nil {
			return err
		}
	}
	r.Hosts = hosts
	var caPEM []byte
	scheme := "https"
	switch {
	case n.Cert != "":
		pair, err := tls.LoadX509KeyPair(n.Cert, n.Key)
		if err != nil {
			return fmt.Errorf("TLS: %w", err)
		}
		r.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
		if n.CA != "" {
			if caPEM, err = os.ReadFile(n.CA); err != nil {
				return err
			}
		}
	case address.IP.IsLoopback() && len(n.Hosts) == 0:
		scheme = "http"
	default:
		ca, err := keyring.OpenCA(n.KeyDir, n.Site, hosts)
		if err != nil {
			return err
		}
		if r.TLS, err = ca.ServerTLS(append(slices.Clone(hosts), "localhost", "127.0.0.1")); err != nil {
			return err
		}
		caPEM, r.CA = ca.PEM, &ca
	}
	r.Origin = scheme + "://" + net.JoinHostPort(hosts[0], fmt.Sprint(address.Port))
	var err error
	r.Trust, err = n.Keys.KeepTrust(n.KeyDir, caPEM)
	return err
}

// ownHosts are this computer's addresses on local networks and its name there (RFC 6762); just the
// address where the server listens on one.
func ownHosts(listens net.IP) ([]string, error) {
	if !listens.IsUnspecified() {
		return []string{listens.String()}, nil
	}
	var hosts []string
	if name, err := os.Hostname(); err == nil && name != "" {
		name, _, _ = strings.Cut(name, ".")
		hosts = append(hosts, name+".local")
	}
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil, err
	}
	for _, a := range all {
		if network, ok := a.(*net.IPNet); ok && network.IP.IsPrivate() {
			hosts = append(hosts, network.IP.String())
		}
	}
	if len(hosts) == 0 {
		return nil, errors.New("this computer has no name and no address on a local network\n  say with --host how it is reached")
	}
	return hosts, nil
}
