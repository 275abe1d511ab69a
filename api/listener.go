package api

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/x509"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/queue/broker"
)

// Certificate is one that the site's CA made.
type Certificate struct {
	PEM    []byte // with the CA's own behind it
	Serial string
	Until  time.Time
}

// KeepWorkerListener is POST /enrol/worker-listener. Stations reach a worker's listener without this
// server, so what they believe of it is decided here: that it is the enrolled worker, at an address
// that it really has.
func (s *Server) KeepWorkerListener(ctx context.Context, request wire.KeepWorkerListenerRequestObject) (wire.KeepWorkerListenerResponseObject, error) {
	// Apart from enrolment: a worker that tries in vain must not keep a person's code from being taken.
	succeeded, err := s.limiter.count(limit{triedKey{"listener", visitIn(ctx).address}, accountTries})
	if err != nil {
		return nil, err
	}
	b := request.Body
	var asked []byte
	if b.Request != nil {
		asked = *b.Request
	}
	if err := broker.CheckListener(b.PublicKey, b.MachineID, b.Address, asked, b.Signature); err != nil {
		return nil, invalid("signature", "the address is not signed by the worker's key", "let the worker itself say where it is")
	}
	at, err := s.listenerAt(b.Address, visitIn(ctx).address)
	if err != nil {
		return nil, err
	}
	if len(asked) == 0 {
		if err := s.store.KeepListener(ctx, b.MachineID, b.PublicKey, b.Address); err != nil {
			return nil, err
		}
		succeeded()
		return wire.KeepWorkerListener200JSONResponse{}, nil
	}
	made, err := s.certify(asked, at)
	if err != nil {
		return nil, err
	}
	if err := s.store.KeepListenerCertificate(ctx, b.MachineID, b.PublicKey, b.Address,
		db.ListenerCertificate{Host: at.host, Serial: made.Serial, Until: made.Until, Shared: at.here}); err != nil {
		return nil, err
	}
	succeeded()
	return wire.KeepWorkerListener200JSONResponse{CertificatePem: string(made.PEM)}, nil
}

// listenerAt is where a listener is said to be.
type listenerAt struct {
	host string // one name or address
	tls  bool
	here bool // the worker runs on this server's own computer
}

// listenerAt judges an address by where the request comes from: an IP address has to be the one that it
// comes from, and this server's own name is only for a worker beside it.
func (s *Server) listenerAt(address, from string) (at listenerAt, err error) {
	const field, again = "address", "give the name or address by which stations reach the worker with --host"
	origin, ok := workerOrigin(address)
	u, parseErr := url.Parse(address)
	if !ok || parseErr != nil || origin != address || u.Port() == "" {
		return at, invalid(field, "this is no address of a listener", again)
	}
	at = listenerAt{host: strings.ToLower(u.Hostname()), tls: u.Scheme == "https"}
	remote, err := netip.ParseAddr(from)
	if err != nil {
		return at, err
	}
	remote = remote.Unmap()
	if at.here, err = isHere(remote); err != nil {
		return at, err
	}
	ip, err := netip.ParseAddr(at.host)
	if err != nil {
		if named := slices.ContainsFunc(s.cfg.Hosts, func(own string) bool { return strings.EqualFold(own, at.host) }); (named || at.host == "localhost") && !at.here {
			return at, invalid(field, at.host+" is this server's own name", again)
		}
		if !at.tls && at.host != "localhost" {
			return at, invalid(field, "plain HTTP is for loopback only", "let the worker ask for a certificate")
		}
		return at, nil
	}
	ip = ip.Unmap()
	own := ip == remote
	if !own && at.here {
		if own, err = isHere(ip); err != nil {
			return at, err
		}
	}
	switch {
	case !own:
		return at, invalid(field, "the worker comes from "+remote.String()+" and says that it is at "+ip.String(), again)
	case !at.tls && !ip.IsLoopback():
		return at, invalid(field, "plain HTTP is for loopback only", "let the worker ask for a certificate")
	}
	return at, nil
}

// isHere is whether an address is one of this computer's.
func isHere(ip netip.Addr) (bool, error) {
	if ip.IsLoopback() {
		return true, nil
	}
	all, err := net.InterfaceAddrs()
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(all, func(a net.Addr) bool {
		network, ok := a.(*net.IPNet)
		if !ok {
			return false
		}
		own, ok := netip.AddrFromSlice(network.IP)
		return ok && own.Unmap() == ip
	}), nil
}

// certify has the site's CA sign for the listener's name or address and nothing else.
func (s *Server) certify(asked []byte, at listenerAt) (Certificate, error) {
	const field = "request"
	no := func(what string) (Certificate, error) {
		return Certificate{}, invalid(field, what, "let the worker itself ask for its certificate")
	}
	if s.cfg.Certify == nil {
		return Certificate{}, invalid(field, "this site has no CA of its own", "stations stop this machine by the server; a listener on plain loopback needs no certificate")
	}
	request, err := x509.ParseCertificateRequest(asked)
	if err != nil || request.CheckSignature() != nil {
		return no("this is no certificate request")
	}
	if key, ok := request.PublicKey.(*ecdsa.PublicKey); !ok || key.Curve != elliptic.P256() {
		return no("the key is none on P-256") // what every browser takes
	}
	var names []string
	for _, ip := range request.IPAddresses {
		names = append(names, ip.String())
	}
	names = append(names, request.DNSNames...)
	if !at.tls || len(names) != 1 || !strings.EqualFold(names[0], at.host) || len(request.URIs)+len(request.EmailAddresses) > 0 {
		return no("the request is not for the address alone")
	}
	made, err := s.cfg.Certify(request)
	if err != nil {
		s.log.Warn("no certificate for a worker's listener", "host", at.host, "error", err)
		return Certificate{}, invalid(field, "the site's CA does not sign for "+at.host, "it signs for names and addresses of a local network; give the worker such a one with --host")
	}
	return made, nil
}
