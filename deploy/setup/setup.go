// Package setup makes what a new site cannot begin without, from the command line of whoever holds
// its keys: accounts and machines. The demo makes its own.
package setup

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"kerfgate/api"
	"kerfgate/db"
	"kerfgate/deploy/keyring"
	"kerfgate/plan/machine"
)

// Site is the database and the keys that its changes are logged with.
type Site struct {
	DatabaseURL string // signed in as the app role
	Name        string // of the site
	KeyDir      string // folder of the keys
	Keys        keyring.Keys
}

// with opens the site's store for one change.
func (s Site) with(ctx context.Context, change func(*db.Store) error) error {
	pool, err := db.Open(ctx, s.DatabaseURL)
	if err != nil {
		return err
	}
	defer pool.Close()
	store, err := s.Keys.Store(pool, nil)
	if err != nil {
		return err
	}
	if _, err := store.Site(ctx); errors.Is(err, db.ErrNotFound) {
		return errors.New("the site is not open yet\n  start it once with: kerfgate serve")
	} else if err != nil {
		return err
	}
	return change(store)
}

// Person adds an account. Errors: those of db.Store.AddPerson, and a password out of bounds.
func (s Site) Person(ctx context.Context, signIn, name string, role db.Role, password string) (id uuid.UUID, err error) {
	hash, err := api.HashPassword(ctx, password)
	if err != nil {
		return uuid.Nil, err
	}
	err = s.with(ctx, func(store *db.Store) error {
		p, err := store.AddPerson(ctx, db.System, db.NewPerson{SignInName: signIn, Name: name, Role: role, PasswordHash: hash})
		id = p.ID
		return err
	})
	return id, err
}

// Invite makes a one-time link, for a new account or, with a sign-in name, for that account's new
// password, and gives its path on the site's pages. Errors: those of db.Store.Invite.
func (s Site) Invite(ctx context.Context, signIn string, wanted db.Invitation) (path string, until time.Time, err error) {
	err = s.with(ctx, func(store *db.Store) error {
		if signIn != "" {
			p, _, err := store.PersonBySignIn(ctx, signIn)
			if err != nil {
				return fmt.Errorf("%s: %w", signIn, err)
			}
			wanted.Person = p.ID
		}
		made, at, err := api.NewInvitation(ctx, store, db.System, wanted)
		path, until = at, made.ExpiresAt
		return err
	})
	return path, until, err
}

// Machine adds a machine with the profile in the JSON text, whose fields are those of
// machine.Profile and no others.
func (s Site) Machine(ctx context.Context, m db.NewMachine, profile []byte) (id uuid.UUID, err error) {
	if m.Profile, err = readProfile(profile); err != nil {
		return uuid.Nil, err
	}
	err = s.with(ctx, func(store *db.Store) error {
		added, err := store.AddMachine(ctx, db.System, m)
		id = added.ID
		return err
	})
	return id, err
}

func readProfile(text []byte) (p machine.Profile, err error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&p); err != nil {
		return p, fmt.Errorf("profile: %w", err)
	}
	if p.Driver.Kind == "" || len(p.Tools) == 0 || p.TravelUM.Width() <= 0 || p.TravelUM.Height() <= 0 {
		return p, errors.New("profile: a driver, a tool and the travel are the least that it must name")
	}
	if problems := p.Problems(); len(problems) > 0 {
		return p, fmt.Errorf("profile: %s", strings.Join(problems, "\n  "))
	}
	return p, nil
}

// Authorise lets a person, by sign-in name, operate a machine. Errors: those of db.Store.Authorise.
func (s Site) Authorise(ctx context.Context, signIn string, n db.NewAuthorisation) error {
	return s.with(ctx, func(store *db.Store) error {
		p, _, err := store.PersonBySignIn(ctx, signIn)
		if err != nil {
			return fmt.Errorf("%s: %w", signIn, err)
		}
		n.Person = p.ID
		_, err = store.Authorise(ctx, db.System, n)
		return err
	})
}

// WriteOffJournal opens a restored site without the journal of one machine. Errors: those of
// db.Store.WriteOffJournal.
func (s Site) WriteOffJournal(ctx context.Context, machine uuid.UUID, reason string) error {
	return s.with(ctx, func(store *db.Store) error {
		err := store.WriteOffJournal(ctx, db.System, machine, reason)
		if errors.Is(err, db.ErrNotFound) {
			return fmt.Errorf("no journal of machine %s is awaited", machine)
		}
		return err
	})
}
