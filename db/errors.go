package db

import (
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"kerfgate/checklist"
	"kerfgate/queue"
)

// Errors of the store.
var (
	ErrNotFound = errors.New("not found")
	ErrConflict = errors.New("somebody changed it meanwhile")
	// errStaleRev is ErrConflict without another try: the caller named the rev.
	errStaleRev   = fmt.Errorf("%w: the rev you named is no longer current", ErrConflict)
	ErrNotAllowed = errors.New("not allowed")
	// ErrUnknown is the end of a change whose commit was sent and whose answer was lost, as long as the
	// database cannot be asked.
	ErrUnknown     = errors.New("whether this was done is not known, look before you try again")
	ErrSignInTaken = errors.New("that sign-in name is taken")
	// ErrPasskeyCopied is a passkey whose count of signatures went back or stood still, as it does where there are two of it.
	ErrPasskeyCopied = errors.New("this passkey has counted fewer signatures than are known")
	ErrKeyReused     = errors.New("the idempotency key was used with another body")
	// ErrAltered is a stored drawing, plan or picture whose bytes are not what its digest says.
	ErrAltered = errors.New("stored file was altered")
)

// Refused is a change that the rules refuse: all reasons at once, each with what to do next.
type Refused struct{ Reasons []checklist.Reason }

// Error lists the reasons.
func (r *Refused) Error() string {
	text := "refused"
	for i, reason := range r.Reasons {
		sep := "; "
		if i == 0 {
			sep = ": "
		}
		text += sep + reason.What
	}
	return text
}

func refuse(what, next string) error {
	return &Refused{Reasons: []checklist.Reason{{What: what, Next: next}}}
}

// constraintErrors turns the name of a violated constraint into what it means.
var constraintErrors = map[string]func() error{
	"person_sign_in_name": func() error { return ErrSignInTaken },
	"passkey_credential_id_key": func() error {
		return refuse("this passkey is on an account already", "use another authenticator, or remove it there first")
	},
	"run_active": func() error {
		return refuse("another run is active on this machine", "finish it through purge and inspection first")
	},
	"run_phase_guard": func() error { return queue.ErrMoved },
	"permit_live":     func() error { return queue.ErrMoved },
	"burn_pkey":       func() error { return queue.ErrMoved },
	"lockout_open": func() error {
		return refuse("the machine is locked out already", "lift the first lockout before setting another")
	},
	"stock_enough": func() error {
		return refuse("not enough sheets of this stock are left", "choose fewer copies or another stock")
	},
	"material_name": func() error {
		return refuse("another material has this name", "give each kind of sheet a name of its own")
	},
	"stock_lot": func() error {
		return refuse("another lot has this name", "give each lot a name of its own, which stands on its sheets")
	},
	"pair_label": func() error {
		return refuse("another pair in the register has this label", "give every pair a label of its own")
	},
	"commissioning_open": func() error {
		return refuse("a commissioning of this machine is open", "go on with it, or give it up first")
	},
	"machine_view_pkey": func() error {
		return refuse("that machine is in one view with another already", "take that back first")
	},
	"machine_view_other_key": func() error {
		return refuse("that machine is in one view with another already", "take that back first")
	},
	"watch_open": func() error { return ErrConflict },
	"worker_key_pkey": func() error {
		return refuse("that worker's key was used before", "let the worker make a new one")
	},
	"machine_worker_key": func() error {
		return refuse("another machine's worker has that key", "let each worker make its own")
	},
	"successor_before_key": func() error { return ErrKeyReplaced },
}

// meaning maps what the driver says to the store's errors; anything unknown stays as it is.
func meaning(err error) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return ErrNotFound
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		switch pg.Code {
		case "22021", "22P05": // character_not_in_repertoire, untranslatable_character: NUL and what is no UTF-8
			return refuse("a text holds a character that cannot be kept", "type it again without control characters")
		}
		if to, ok := constraintErrors[pg.ConstraintName]; ok && pg.ConstraintName != "" {
			return fmt.Errorf("%w (%s)", to(), pg.ConstraintName)
		}
	}
	return err
}

// givenUp says whether Postgres gave up a transaction that may simply be tried again.
func givenUp(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (pg.Code == "40P01" || pg.Code == "40001")
}
