package db

import (
	"context"
	"crypto/rand"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// Site is the one site of this database.
type Site struct {
	Name             string
	Kind             string   // SiteWorkshop or SiteAlone
	Epoch            [16]byte // of the server; another one after a restore
	LogEpoch         [16]byte // suffix of the log's origin; zero for a log that was never cut
	FireWatchMinutes int64
	OpenedAt         time.Time
}

// Kinds of sites.
const (
	SiteWorkshop = "workshop"
	SiteAlone    = "alone"
)

// OpenSite makes the site's row and its first logbook entry; a site that is open already is
// returned as it is.
func (s *Store) OpenSite(ctx context.Context, site Site) (Site, error) {
	found, err := s.Site(ctx)
	if err == nil {
		return found, nil
	}
	if !errors.Is(err, ErrNotFound) {
		return Site{}, err
	}
	if _, err := rand.Read(site.Epoch[:]); err != nil {
		return Site{}, err
	}
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO site (name, kind, epoch, fire_watch_minutes) VALUES ($1, $2, $3, $4)`,
				args: []any{site.Name, site.Kind, site.Epoch[:], site.FireWatchMinutes}, rows: 1}},
			entries: []draft{{kind: logbook.SiteOpened, body: logbook.Body{"kind": site.Kind, "epoch": site.Epoch[:],
				"fire_watch_minutes": site.FireWatchMinutes}}},
		}, nil
	})
	if err != nil {
		return Site{}, err
	}
	return s.Site(ctx)
}

// Site reads the site's row. Errors: ErrNotFound before OpenSite.
func (s *Store) Site(ctx context.Context) (Site, error) {
	var site Site
	var epoch, logEpoch []byte
	err := s.pool.QueryRow(ctx, `SELECT name, kind, epoch, log_epoch, fire_watch_minutes, opened_at FROM site`).
		Scan(&site.Name, &site.Kind, &epoch, &logEpoch, &site.FireWatchMinutes, &site.OpenedAt)
	if errors.Is(err, pgx.ErrNoRows) {
		return Site{}, ErrNotFound
	}
	copy(site.Epoch[:], epoch)
	copy(site.LogEpoch[:], logEpoch)
	return site, err
}
