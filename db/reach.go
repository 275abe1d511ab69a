package db

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	pgxuuid "github.com/vgarvardt/pgx-google-uuid/v5"
)

// ErrPlainDatabase is returned for a way to a database on another computer that anybody between could
// read or pose as.
var ErrPlainDatabase = errors.New("the way to this database proves neither who it is nor that nobody reads along")

// Open makes the pool of a database that may be asked; it does not connect. Errors: ErrPlainDatabase.
func Open(ctx context.Context, url string) (*pgxpool.Pool, error) {
	if err := CheckURL(url); err != nil {
		return nil, err
	}
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, err
	}
	// Without this an id goes out as text, by way of an error for each one.
	config.AfterConnect = func(_ context.Context, conn *pgx.Conn) error {
		pgxuuid.Register(conn.TypeMap())
		return nil
	}
	return pgxpool.NewWithConfig(ctx, config)
}

// CheckURL refuses the address of a database on another computer unless every way to it asks for TLS
// with a certificate for that very name: sslmode=verify-full (OWASP ASVS 5.0.0, 12.3.1). A socket or a loopback
// address is this computer.
func CheckURL(url string) error {
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return err
	}
	err = proven(config.Host, config.TLSConfig)
	for _, way := range config.Fallbacks {
		err = errors.Join(err, proven(way.Host, way.TLSConfig))
	}
	return err
}

func proven(host string, tls *tls.Config) error {
	if here(host) || tls != nil && !tls.InsecureSkipVerify && tls.ServerName != "" {
		return nil
	}
	return fmt.Errorf("%w: %s\n  add sslmode=verify-full and sslrootcert=FILE to the address, or reach it by a socket of this computer", ErrPlainDatabase, host)
}

// here says whether a host is this computer.
func here(host string) bool {
	if strings.HasPrefix(host, "/") || strings.HasPrefix(host, "@") || host == "localhost" { // a socket's folder, an abstract socket
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
