package keyring

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// CA is the certificate authority of one site. Stations install its certificate, workers pin it; it
// signs for names and addresses of a local network and the site's own names alone, so that whoever
// steals its key cannot pose as the rest of the internet to those devices (RFC 5280, 4.2.1.10).
type CA struct {
	PEM  []byte // the certificate, to be installed and pinned
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

const (
	caLasts    = 10 * 365 * 24 * time.Hour
	leafLasts  = 365 * 24 * time.Hour
	clockSkew  = time.Hour // a tablet's clock may be behind
	certBlock  = "CERTIFICATE"
	keyBlock   = "PRIVATE KEY"
	caFileName = "ca.key"
)

// RenewLeft is how much of a certificate is left when it is made anew.
const RenewLeft = 60 * 24 * time.Hour

// localNames are the domains of local networks: RFC 6762 (local), RFC 8375 (home.arpa), RFC 6761
// (localhost), ICANN's reserved "internal"; "lan" is what many home routers use.
var localNames = []string{"local", "home.arpa", "localhost", "internal", "lan"}

// localRanges are the addresses of local networks: RFC 1918, 3927, 4193, 4291 and loopback.
var localRanges = []string{"10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8", "fc00::/7", "fe80::/10", "::1/128"}

// OpenCA reads the site's authority in dir, or makes it. hosts are names of the site beside those of
// local networks that it may ever sign for; they count when it is made. Errors: ErrMode, and what the file says.
func OpenCA(dir, site string, hosts []string) (CA, error) {
	path := filepath.Join(dir, caFileName)
	text, err := Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		if text, err = makeCA(site, hosts); err != nil {
			return CA{}, err
		}
		if err := Write(path, text); errors.Is(err, fs.ErrExist) {
			if text, err = Read(path); err != nil { // another server made it at the same moment
				return CA{}, err
			}
		} else if err != nil {
			return CA{}, err
		}
	} else if err != nil {
		return CA{}, err
	}
	ca, err := readCA(text)
	if err != nil {
		return CA{}, fmt.Errorf("%s: %w", path, err)
	}
	return ca, nil
}

// makeCA gives key and certificate as PEM blocks in one text: they are of no use apart.
func makeCA(site string, hosts []string) (string, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader) // browsers take no Ed25519 certificates
	if err != nil {
		return "", err
	}
	names := slices.Clone(localNames)
	for _, h := range hosts {
		if net.ParseIP(h) == nil && h != "" {
			names = append(names, h)
		}
	}
	var ranges []*net.IPNet
	for _, r := range localRanges {
		_, network, err := net.ParseCIDR(r)
		if err != nil {
			return "", err
		}
		ranges = append(ranges, network)
	}
	now := time.Now()
	template := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "Kerfgate site " + site, Organization: []string{"Kerfgate site " + site}},
		NotBefore: now.Add(-clockSkew), NotAfter: now.Add(caLasts),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: names, PermittedIPRanges: ranges,
	}
	if template.SerialNumber, err = serial(); err != nil {
		return "", err
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return "", err
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return "", err
	}
	return strings.TrimRight(string(pem.EncodeToMemory(&pem.Block{Type: keyBlock, Bytes: secret}))+
		string(pem.EncodeToMemory(&pem.Block{Type: certBlock, Bytes: der})), "\n"), nil
}

func readCA(text string) (CA, error) {
	secret, rest := pem.Decode([]byte(text))
	if secret == nil || secret.Type != keyBlock {
		return CA{}, errors.New("want a private key and a certificate")
	}
	public, _ := pem.Decode(rest)
	if public == nil || public.Type != certBlock {
		return CA{}, errors.New("want a private key and a certificate")
	}
	parsed, err := x509.ParsePKCS8PrivateKey(secret.Bytes)
	if err != nil {
		return CA{}, err
	}
	key, ok := parsed.(*ecdsa.PrivateKey)
	if !ok {
		return CA{}, errors.New("not an ECDSA key")
	}
	cert, err := x509.ParseCertificate(public.Bytes)
	if err != nil {
		return CA{}, err
	}
	if !cert.IsCA || !key.PublicKey.Equal(cert.PublicKey) {
		return CA{}, errors.New("the certificate is not the key's")
	}
	return CA{PEM: pem.EncodeToMemory(public), cert: cert, key: key}, nil
}

func serial() (*big.Int, error) { return rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127)) }

// Fingerprint is the SHA-256 of the certificate as devices show it: pairs of hexadecimal digits.
func (ca CA) Fingerprint() string {
	sum := sha256.Sum256(ca.cert.Raw)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(pairs, ":")
}

// Leaf makes a certificate for the names and addresses, good for a year, with a key of its own. It
// fails for what the authority may not sign for.
func (ca CA) Leaf(hosts []string, now time.Time) (tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, err
	}
	var ips []net.IP
	var names []string
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			ips = append(ips, ip)
		} else if h != "" {
			names = append(names, h)
		}
	}
	leaf, err := ca.sign(&key.PublicKey, names, ips, now)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.Certificate{Certificate: [][]byte{leaf.Raw, ca.cert.Raw}, PrivateKey: key, Leaf: leaf}, nil
}

// Certify makes a certificate for the key, the names and the addresses of a request, good for a year.
// Whether it is for who asks to say. It fails for what the authority may not sign for.
func (ca CA) Certify(request *x509.CertificateRequest, now time.Time) (chain []byte, leaf *x509.Certificate, err error) {
	if leaf, err = ca.sign(request.PublicKey, request.DNSNames, request.IPAddresses, now); err != nil {
		return nil, nil, err
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: certBlock, Bytes: leaf.Raw}), ca.PEM...), leaf, nil
}

func (ca CA) sign(public any, names []string, ips []net.IP, now time.Time) (leaf *x509.Certificate, err error) {
	template := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "Kerfgate"},
		NotBefore: now.Add(-clockSkew), NotAfter: now.Add(leafLasts),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		DNSNames: names, IPAddresses: ips,
	}
	if template.SerialNumber, err = serial(); err != nil {
		return nil, err
	}
	der, err := x509.CreateCertificate(rand.Reader, template, ca.cert, public, ca.key)
	if err != nil {
		return nil, err
	}
	if leaf, err = x509.ParseCertificate(der); err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	roots.AddCert(ca.cert)
	if _, err := leaf.Verify(x509.VerifyOptions{Roots: roots, CurrentTime: now}); err != nil {
		return nil, fmt.Errorf("the site's CA does not sign for %s: %w\n  names beside those of a local network must be given when it is made",
			strings.Join(append(slices.Clone(names), fmt.Sprint(ips)), " "), err)
	}
	return leaf, nil
}

// ServerTLS serves as the hosts with a leaf that is made anew when less than 60 days of it are left.
func (ca CA) ServerTLS(hosts []string) (*tls.Config, error) {
	first, err := ca.Leaf(hosts, time.Now())
	if err != nil {
		return nil, err
	}
	var mu sync.Mutex
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		mu.Lock()
		defer mu.Unlock()
		if now := time.Now(); first.Leaf.NotAfter.Sub(now) < RenewLeft {
			next, err := ca.Leaf(hosts, now)
			if err != nil {
				return nil, err
			}
			first = next
		}
		current := first
		return &current, nil
	}}, nil
}

// ClientTLS trusts one authority and nothing else: the pinned certificate of a site.
func ClientTLS(caPEM []byte) (*tls.Config, error) {
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(caPEM) {
		return nil, errors.New("the site's CA certificate is not readable")
	}
	return &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}, nil
}
