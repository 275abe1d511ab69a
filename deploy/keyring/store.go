package keyring

import (
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"

	"github.com/jackc/pgx/v5/pgxpool"

	"kerfgate/api/enrol"
	"kerfgate/db"
)

// Store is the site's database with these keys: whoever opens it does so here.
func (k Keys) Store(pool *pgxpool.Pool, log *slog.Logger) (*db.Store, error) {
	return db.New(db.Config{Pool: pool, PermitSigner: k.PermitSigner, PermitVerifier: k.PermitPublic,
		LogSigner: k.LogSigner, LogVerifier: k.LogPublic, Log: log})
}

// trustedCA is the certificate that stations and workers of the site know its servers by; empty for a
// server on loopback without TLS.
const trustedCA = "ca.crt"

// KeepTrust writes down the CA certificate that the servers of this folder are known by, so that codes
// made on the command line vouch for it too.
func (k Keys) KeepTrust(dir string, caPEM []byte) (enrol.Trust, error) {
	t := enrol.Trust{PermitKey: k.PermitPublic, LogKey: k.LogPublic, CA: caPEM}
	return t, os.WriteFile(filepath.Join(dir, trustedCA), caPEM, 0o644)
}

// Trust is what enrolment codes of this site vouch for. Errors: a server was never started here.
func (k Keys) Trust(dir string) (enrol.Trust, error) {
	ca, err := os.ReadFile(filepath.Join(dir, trustedCA))
	if errors.Is(err, fs.ErrNotExist) {
		err = errors.New("no server was started with this folder of keys yet\n  start it once with: kerfgate serve")
	}
	return enrol.Trust{PermitKey: k.PermitPublic, LogKey: k.LogPublic, CA: ca}, err
}
