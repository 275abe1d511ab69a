package db

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
)

// Site is the one site of this database.
type Site struct {
	Name             string
	Kind             string   // SiteWorkshop or SiteAlone
	Epoch            [16]byte // of the server; another one after a restore
	LogEpoch         [16]byte // suffix of the log's origin; zero for a log that was never cut
	FireEdition      string   // key of the edition that an officer chose for fire watches, empty until then
	FireWatchMinutes int64    // of that edition; the longest of all until one is chosen
	Contact          string   // whom a site of one tells of a start; empty where it names nobody
	OpenedAt         time.Time
	Settled          bool // somebody chose its kind, or the command line said all there is to choose
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
	if site.FireEdition != "" {
		edition, ok := checklist.FireEditionOf(site.FireEdition)
		if !ok {
			return Site{}, errNoEdition
		}
		site.FireWatchMinutes = edition.Minutes
	} else {
		site.FireWatchMinutes = int64(checklist.FlameWatch / time.Minute)
	}
	if _, err := rand.Read(site.Epoch[:]); err != nil {
		return Site{}, err
	}
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO site (name, kind, epoch, fire_watch_minutes, fire_edition, settled_at)
				VALUES ($1, $2, $3, $4, $5, CASE WHEN $5 <> '' THEN now() END)`,
				args: []any{site.Name, site.Kind, site.Epoch[:], site.FireWatchMinutes, site.FireEdition}, rows: 1}},
			entries: []draft{{kind: logbook.SiteOpened, body: logbook.Body{"kind": site.Kind, "epoch": site.Epoch[:],
				"fire_watch_minutes": site.FireWatchMinutes, "fire_edition": site.FireEdition}}},
		}, nil
	})
	if err != nil {
		return Site{}, err
	}
	return s.Site(ctx)
}

// Site reads the site's row. Errors: ErrNotFound before OpenSite.
func (s *Store) Site(ctx context.Context) (site Site, err error) {
	var reads pgx.Batch
	readSite(&reads, &site)
	return site, s.read(ctx, &reads)
}

func readSite(b *pgx.Batch, site *Site) {
	b.Queue(`SELECT name, kind, epoch, log_epoch, fire_edition, fire_watch_minutes, contact, opened_at, settled_at IS NOT NULL FROM site`).QueryRow(func(row pgx.Row) error {
		var epoch, logEpoch []byte
		err := row.Scan(&site.Name, &site.Kind, &epoch, &logEpoch, &site.FireEdition, &site.FireWatchMinutes, &site.Contact, &site.OpenedAt, &site.Settled)
		copy(site.Epoch[:], epoch)
		copy(site.LogEpoch[:], logEpoch)
		return meaning(err)
	})
}

var errNoEdition = refuse("there is no such edition", "choose one of the list")

// ChooseFireEdition says which edition the site's fire watches follow from here on; one that runs keeps its
// time. Errors: ErrNotAllowed for anybody but the safety officer, *Refused for an edition that is none.
func (s *Store) ChooseFireEdition(ctx context.Context, actor Actor, key string) error {
	if !actor.Role.Officer() {
		return ErrNotAllowed
	}
	edition, ok := checklist.FireEditionOf(key)
	if !ok {
		return errNoEdition
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `UPDATE site SET fire_edition = $1, fire_watch_minutes = $2`, args: []any{edition.Key, edition.Minutes}, rows: 1}},
			entries:    []draft{{kind: logbook.FireEditionChosen, actor: actor, body: logbook.Body{"edition": edition.Key, "minutes": edition.Minutes}}},
		}, nil
	})
	return err
}

// NameContact keeps whom a site of one tells of a start with the beam; empty words name nobody. Errors:
// ErrNotAllowed for anybody but an officer, *Refused for words that are too long.
func (s *Store) NameContact(ctx context.Context, actor Actor, contact string) error {
	if !actor.Role.Officer() {
		return ErrNotAllowed
	}
	contact = strings.TrimSpace(contact)
	if len(contact) > checklist.MaxContact {
		return refuse(fmt.Sprintf("the contact is longer than %d bytes", checklist.MaxContact), "a name and a number are enough")
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `UPDATE site SET contact = $1`, args: []any{contact}, rows: 1}},
			// Who it is stays out of the logbook, as every name does.
			entries: []draft{{kind: logbook.ContactNamed, actor: actor, body: logbook.Body{"named": contact != ""}}},
		}, nil
	})
	return err
}
