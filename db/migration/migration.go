// Package migration holds the database's schema as numbered SQL files and brings a database up to it.
package migration

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
)

//go:embed *.sql
var files embed.FS

// Up brings the database to the newest version. It is to be run by the owner role; the roles that
// it grants to must exist. Errors name the migration that failed.
func Up(ctx context.Context, db *sql.DB) error {
	sub, err := fs.Sub(files, ".")
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, db, sub)
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	return nil
}
