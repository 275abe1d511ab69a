package setup

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/enrol"
	"kerfgate/db"
	"kerfgate/deploy/keyring"
)

// WorkerCode makes the one-time code with which a machine's worker joins the site, good until the
// instant given. Errors: those of db.Store.MakeEnrolCode.
func (s Site) WorkerCode(ctx context.Context, machine uuid.UUID) (code string, until time.Time, err error) {
	trust, err := s.Keys.Trust(s.KeyDir)
	if err != nil {
		return "", time.Time{}, err
	}
	c := enrol.Code{Secret: enrol.NewSecret(), Trust: trust.Digest()}
	err = s.with(ctx, func(store *db.Store) error {
		until, err = store.MakeEnrolCode(ctx, db.System, db.NewEnrolCode{Kind: db.EnrolsWorker, Machine: machine, Hash: c.Secret.Hash()})
		return err
	})
	return c.String(), until, err
}

// StationCode makes the one-time code with which a device becomes a station at a machine.
func (s Site) StationCode(ctx context.Context, machine uuid.UUID, name string) (code string, until time.Time, err error) {
	secret := enrol.NewSecret()
	err = s.with(ctx, func(store *db.Store) error {
		until, err = store.MakeEnrolCode(ctx, db.System, db.NewEnrolCode{Kind: db.EnrolsStation, Machine: machine, Name: name, Hash: secret.Hash()})
		return err
	})
	return secret.String(), until, err
}

// ReplaceKey makes a new permit key or log key, has the old one sign for it, and puts it into the
// folder of keys. It may be called again where it was interrupted. number counts the replacements.
func (s Site) ReplaceKey(ctx context.Context, name string) (number int64, public string, err error) {
	_, public, err = keyring.Next(s.KeyDir, s.Name, name)
	if err != nil {
		return 0, "", err
	}
	before := s.Keys.PermitPublic
	if name == keyring.Logbook {
		before = s.Keys.LogPublic
	}
	err = s.with(ctx, func(store *db.Store) error {
		after, done, replaced, err := store.Replaced(ctx, before)
		switch {
		case err != nil:
			return err
		case replaced && after != public:
			return errors.New("the key in this folder was replaced by another, elsewhere\n  copy the folder of keys from where that was done")
		case replaced:
			number = done // the last try ended before the folder was changed
			return nil
		}
		number, err = store.ReplaceKey(ctx, db.System, db.SiteKey(name), public)
		return err
	})
	if err != nil {
		return 0, "", err
	}
	return number, public, keyring.Replace(s.KeyDir, name, number)
}
