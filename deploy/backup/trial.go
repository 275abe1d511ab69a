package backup

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/jackc/pgx/v5"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/logbook"
	"kerfgate/deploy/keyring"
)

// Trial puts a backup back into a private database of its own, which is thrown away, and checks the whole logbook
// there: that a backup can be restored is known only once it was. Its error says what is wrong with the backup.
func Trial(ctx context.Context, pgBin, path string, keys keyring.Keys) (report logbook.Report, err error) {
	dir, err := os.MkdirTemp("", "kerfgate-trial-")
	if err != nil {
		return report, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	if err := os.Chmod(dir, 0o711); err != nil { // for the database's own user
		return report, err
	}
	pg, err := cluster.New(cluster.Config{Dir: dir + "/postgres", BinDir: pgBin})
	if err != nil {
		return report, err
	}
	running, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- pg.Run(running) }()
	defer func() {
		stop()
		err = errors.Join(err, <-ended)
	}()
	select {
	case <-pg.Ready():
	case err := <-ended:
		ended <- nil
		return report, fmt.Errorf("the private database ended: %w", err)
	}
	if _, err := (Database{URL: pg.URL(cluster.Owner, cluster.Database), PGBin: pgBin}).Restore(ctx, path, keys); err != nil {
		return report, err
	}
	pool, err := db.Open(ctx, pg.URL(cluster.App, cluster.Database))
	if err != nil {
		return report, err
	}
	defer pool.Close()
	store, err := keys.Store(pool, nil)
	if err != nil {
		return report, err
	}
	return store.CheckLog(ctx)
}

// Note writes into the site's own database that it was looked after, for the page of the site.
func (d Database) Note(ctx context.Context, what db.LookedAfter, l db.CareTaken) error {
	if err := db.CheckURL(d.URL); err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, d.URL)
	if err != nil {
		return err
	}
	if what == db.BackupWritten {
		err = conn.QueryRow(ctx, `SELECT size FROM log_head`).Scan(&l.LogSize)
	}
	if err == nil {
		_, err = conn.Exec(ctx, db.KeepCareSQL, what, l.Good, l.Said, l.LogSize)
	}
	return errors.Join(err, conn.Close(ctx))
}
