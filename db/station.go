package db

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// Station is an enrolled device that stands at one machine. Its credential is the device's: it gives
// no person's rights.
type Station struct {
	ID         uuid.UUID
	Machine    uuid.UUID
	Name       string
	EnrolledAt time.Time
	RevokedAt  *time.Time
}

// EnrolStation makes a station of the device that shows a one-time code; tokenHash is the SHA-256 of
// the credential that it keeps. Errors: ErrEnrolCode.
func (s *Store) EnrolStation(ctx context.Context, codeHash, tokenHash [32]byte) (Station, error) {
	id, salt := newID(), newSalt()
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		code, machine, name, err := s.openCode(ctx, EnrolsStation, codeHash)
		if err != nil {
			return write{}, err
		}
		digest := logbook.SaltedDigest(salt, []byte(name))
		return write{
			statements: []statement{useCode(code),
				{sql: `INSERT INTO station (id, machine, name, salt, token_hash) VALUES ($1, $2, $3, $4, $5)`,
					args: []any{id, machine, name, salt, tokenHash[:]}, rows: 1}},
			entries: []draft{{kind: logbook.StationEnrolled, actor: Actor{Station: id},
				subjects: []logbook.Subject{about("station", id), about(logbook.RoleMachine, machine), about("code", code)},
				body:     logbook.Body{"name_digest": digest[:]}}},
		}, nil
	})
	if err != nil {
		return Station{}, err
	}
	return s.station(ctx, `id = $1`, id)
}

const selectStation = `SELECT id, machine, name, enrolled_at, revoked_at FROM station `

func (s *Store) station(ctx context.Context, where string, args ...any) (Station, error) {
	return readOne(ctx, s.pool, pgx.RowToStructByPos[Station], selectStation+`WHERE `+where, args...)
}

// atStation refuses what is signed at a station that stands at another machine.
func (s *Store) atStation(ctx context.Context, actor Actor, machine uuid.UUID) error {
	if actor.Station == uuid.Nil {
		return nil
	}
	st, err := s.station(ctx, `id = $1 AND revoked_at IS NULL`, actor.Station)
	if errors.Is(err, ErrNotFound) || err == nil && st.Machine != machine {
		return refuse("this station stands at another machine", "sign at the station of the machine itself")
	}
	return err
}

// StationByToken finds the station with a credential's hash. Errors: ErrNotFound, also for one that
// was revoked.
func (s *Store) StationByToken(ctx context.Context, tokenHash []byte) (Station, error) {
	return s.station(ctx, `token_hash = $1 AND revoked_at IS NULL`, tokenHash)
}

// Stations lists all stations, revoked ones too, by machine and age.
func (s *Store) Stations(ctx context.Context) ([]Station, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[Station], selectStation+`ORDER BY machine, enrolled_at`)
}

// RevokeStation takes a station's credential away at once, and ends whoever is signed in at it.
// Errors: ErrNotFound.
func (s *Store) RevokeStation(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		st, err := s.station(ctx, `id = $1 AND revoked_at IS NULL`, id)
		if err != nil {
			return write{}, err
		}
		return write{
			statements: []statement{
				{sql: `UPDATE station SET revoked_at = now() WHERE id = $1 AND revoked_at IS NULL`, args: []any{id}, rows: 1},
				{sql: `UPDATE session SET ended_at = now() WHERE station = $1 AND ended_at IS NULL`, args: []any{id}, rows: anyRows},
			},
			entries: []draft{{kind: logbook.StationRevoked, actor: actor,
				subjects: []logbook.Subject{about("station", id), about(logbook.RoleMachine, st.Machine)}}},
		}, nil
	})
	return err
}

// SetPIN keeps the hash of a person's PIN, which signs them in at stations alone.
func (s *Store) SetPIN(ctx context.Context, actor Actor, pinHash string) error {
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO pin (person, pin_hash) VALUES ($1, $2)
				ON CONFLICT (person) DO UPDATE SET pin_hash = excluded.pin_hash, set_at = now()`, args: []any{actor.Person, pinHash}, rows: 1}},
			entries: []draft{{kind: logbook.PINSet, actor: actor, subjects: []logbook.Subject{about("person", actor.Person)}}},
		}, nil
	})
	return err
}

// HasPIN says whether a person has chosen a PIN.
func (s *Store) HasPIN(ctx context.Context, person uuid.UUID) (has bool, err error) {
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM pin WHERE person = $1)`, person).Scan(&has)
	return has, err
}

// PINBySignIn finds an account and the hash of its PIN. Errors: ErrNotFound, also for a disabled
// account and one without a PIN.
func (s *Store) PINBySignIn(ctx context.Context, name string) (Person, string, error) {
	var p Person
	var hash string
	err := s.pool.QueryRow(ctx, `SELECT p.id, p.sign_in_name, p.name, p.role, p.rev, pin.pin_hash FROM person p JOIN pin ON pin.person = p.id
		WHERE lower(p.sign_in_name) = lower($1) AND p.disabled_at IS NULL`, name).
		Scan(&p.ID, &p.SignInName, &p.Name, &p.Role, &p.Rev, &hash)
	return p, hash, meaning(err)
}

// NotePINClosed logs that wrong PINs closed sign-in for a while: for a person, at a station.
func (s *Store) NotePINClosed(ctx context.Context, person, station uuid.UUID) error {
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		subjects := []logbook.Subject{about("station", station)}
		if person != uuid.Nil {
			subjects = append(subjects, about("person", person))
		}
		return write{entries: []draft{{kind: logbook.PINClosed, actor: Actor{Station: station}, subjects: subjects}}}, nil
	})
	return err
}

// StationSessionLasts bounds a session at a station; ten idle minutes end it before.
const StationSessionLasts = 12 * time.Hour

// OpenStationSession signs a person in at a station. Whoever was signed in there no longer is.
func (s *Store) OpenStationSession(ctx context.Context, person uuid.UUID, station Station, tokenHash []byte) (Session, error) {
	session := Session{ID: newID(), Person: person, Kind: SessionStation, Station: station.ID}
	return s.writeSession(ctx, session, openedSession(session, tokenHash, StationSessionLasts))
}

// TouchSession keeps a station's session from idling out: a person did something, where a page that
// asks for news by itself did not. No change of state.
func (s *Store) TouchSession(ctx context.Context, id uuid.UUID) error {
	_, err := s.pool.Exec(ctx, `UPDATE session SET used_at = now() WHERE id = $1`, id)
	return err
}
