package db_test

import (
	"errors"
	"testing"

	"kerfgate/db"
)

// TestS25_DatabaseElsewhere: off this computer nothing but sslmode=verify-full is taken, on every way
// that the address names (libpq's sslmode levels: PostgreSQL 17 documentation, 32.19, from memory).
func TestS25_DatabaseElsewhere(t *testing.T) {
	t.Parallel()
	for url, refused := range map[string]bool{
		"postgres://a@/kerfgate?host=/run/postgresql":                            false,
		"postgres://a@127.0.0.1/kerfgate":                                        false,
		"postgres://a@[::1]:5433/kerfgate?sslmode=disable":                       false,
		"postgres://a@localhost/kerfgate":                                        false,
		"postgres://a@db.lan/kerfgate?sslmode=verify-full":                       false,
		"postgres://a@192.0.2.7/kerfgate?sslmode=verify-full":                    false,
		"postgres://a@db.lan/kerfgate":                                           true,
		"postgres://a@db.lan/kerfgate?sslmode=disable":                           true,
		"postgres://a@db.lan/kerfgate?sslmode=prefer":                            true,
		"postgres://a@db.lan/kerfgate?sslmode=require":                           true,
		"postgres://a@192.0.2.7/kerfgate?sslmode=verify-ca":                      true,
		"postgres://a@localhost,db.lan/kerfgate?sslmode=allow":                   true,
		"host=db.lan user=a dbname=kerfgate":                                     true,
		"host=/run/postgresql,db.lan user=a dbname=kerfgate sslmode=verify-full": false,
	} {
		err := db.CheckURL(url)
		if errors.Is(err, db.ErrPlainDatabase) != refused || !refused && err != nil {
			t.Errorf("%s: %v", url, err)
		}
		pool, err := db.Open(t.Context(), url)
		if (err != nil) != refused {
			t.Errorf("%s opened: %v", url, err)
		}
		if pool != nil {
			pool.Close()
		}
	}
}
