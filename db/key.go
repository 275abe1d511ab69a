package db

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
)

// SiteKey names a key of the site that can be replaced.
type SiteKey string

// The keys that workers and stations pin.
const (
	PermitKey SiteKey = "permit"
	LogKey    SiteKey = "logbook"
)

// ErrKeyReplaced is the error of a server that still holds a key which was replaced.
var ErrKeyReplaced = errors.New("a key of this server was replaced\n  start it again with the folder of keys as it is now")

// ReplaceKey makes after the site's permit key or log key. The statement of it is signed by the key
// that this store holds, kept and logged: workers and stations follow it and nothing else. Permits
// that are not burned yet fall with the key that signed them. The store itself is of no more use for
// what that key signs: ErrKeyReplaced. number counts the replacements of this key.
func (s *Store) ReplaceKey(ctx context.Context, actor Actor, key SiteKey, after string) (number int64, err error) {
	signer, before := s.cfg.PermitSigner, s.cfg.PermitVerifier
	if key == LogKey {
		signer, before = s.cfg.LogSigner, s.cfg.LogVerifier
	}
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		if err := s.CheckKeys(ctx); err != nil {
			return write{}, err
		}
		if err := s.pool.QueryRow(ctx, `SELECT coalesce(max(number), 0) + 1 FROM successor WHERE key = $1`, key).Scan(&number); err != nil {
			return write{}, err
		}
		statementNote, err := permit.SignSuccessor(signer, permit.Successor{Number: number, Public: after})
		if err != nil {
			return write{}, err
		}
		w := write{
			statements: []statement{{sql: `INSERT INTO successor (key, number, before, after, note) VALUES ($1, $2, $3, $4, $5)`,
				args: []any{key, number, before, after, string(statementNote)}, rows: 1}},
			entries: []draft{{kind: logbook.KeyReplaced, actor: actor,
				body: logbook.Body{"key": string(key), "number": number, "before": before, "after": after, logbook.FieldNote: string(statementNote)}}},
		}
		if key == PermitKey {
			err = s.voidOpen(ctx, &w, actor, "the permit key was replaced", `r.phase = 'permitted'`)
		}
		return w, err
	})
	return number, err
}

// CheckKeys finds out whether a key that this store holds was replaced. Errors: ErrKeyReplaced.
func (s *Store) CheckKeys(ctx context.Context) error {
	var replaced bool
	err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM successor WHERE before IN ($1, $2))`, s.cfg.PermitVerifier, s.cfg.LogVerifier).Scan(&replaced)
	if err == nil && replaced {
		err = ErrKeyReplaced
	}
	return err
}

// guardPermitKey makes a sign-off a refusal where the permit key was replaced meanwhile.
func (s *Store) guardPermitKey() statement {
	return statement{sql: `SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM successor WHERE before = $1)`, args: []any{s.cfg.PermitVerifier}, rows: 1,
		conflict: ErrKeyReplaced}
}

// replacement is one link of the chain of a key.
type replacement struct {
	Key    SiteKey
	Number int64
	Before string
	After  string
	Note   string
}

func (s *Store) replacements(ctx context.Context) ([]replacement, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[replacement], `SELECT key, number, before, after, note FROM successor ORDER BY key, number`)
}

// Replaced says which key followed the one given: the newest link after it, and its number; false
// where it was not replaced. It lets a replacement that stopped half-way be finished.
func (s *Store) Replaced(ctx context.Context, before string) (after string, number int64, ok bool, err error) {
	err = s.pool.QueryRow(ctx, `SELECT after, number FROM successor WHERE before = $1`, before).Scan(&after, &number)
	if errors.Is(err, pgx.ErrNoRows) {
		return "", 0, false, nil
	}
	return after, number, err == nil, err
}

// Successors are the signed statements of all replacements of a key, oldest first.
func (s *Store) Successors(ctx context.Context, key SiteKey) ([][]byte, error) {
	all, err := s.replacements(ctx)
	if err != nil {
		return nil, err
	}
	var notes [][]byte
	for _, r := range all {
		if r.Key == key {
			notes = append(notes, []byte(r.Note))
		}
	}
	return notes, nil
}

// everyKey lists the verifier keys of the site, today's and those before them: what signed something
// that is still in the logbook.
func (s *Store) everyKey(ctx context.Context) ([]string, error) {
	all, err := s.replacements(ctx)
	if err != nil {
		return nil, err
	}
	keys := []string{s.cfg.LogVerifier, s.cfg.PermitVerifier}
	for _, r := range all {
		if r.Before != s.cfg.LogVerifier && r.Before != s.cfg.PermitVerifier {
			keys = append(keys, r.Before)
		}
	}
	return keys, nil
}

func (s *Store) everyVerifier(ctx context.Context) (note.Verifiers, error) {
	keys, err := s.everyKey(ctx)
	if err != nil {
		return nil, err
	}
	list := make([]note.Verifier, len(keys))
	for i, key := range keys {
		if list[i], err = note.NewVerifier(key); err != nil {
			return nil, fmt.Errorf("key %.80q: %w", key, err)
		}
	}
	return note.VerifierList(list...), nil
}
