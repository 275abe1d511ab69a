package db

import (
	"bytes"
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// longestRequest is more than any request that takes a key goes on for.
const longestRequest = 5 * time.Minute

// StoredAnswer is the answer that an idempotency key is bound to.
type StoredAnswer struct {
	Status int
	Body   []byte
}

// IdempotentBegin binds a key to a body. It returns the stored answer when the same request was
// answered before, nil when the caller should go on. Errors: ErrKeyReused for another body,
// ErrConflict while the first request is still under way, *Refused when it was cut off and nobody
// knows what it did. Keys are forgotten after 24 hours.
func (s *Store) IdempotentBegin(ctx context.Context, person uuid.UUID, route, key string, bodyHash [32]byte) (*StoredAnswer, error) {
	tag, err := s.pool.Exec(ctx, `INSERT INTO idempotency (person, route, key, body_hash) VALUES ($1, $2, $3, $4)
		ON CONFLICT (person, route, key) DO UPDATE SET body_hash = $4, status = NULL, answer = NULL, at = now()
		WHERE idempotency.at < now() - interval '24 hours'`, person, route, key, bodyHash[:])
	if err != nil {
		return nil, err
	}
	if tag.RowsAffected() == 1 {
		return nil, nil
	}
	var hash, answer []byte
	var status *int
	var old bool
	err = s.pool.QueryRow(ctx, `SELECT body_hash, status, answer, at < now() - $4::interval FROM idempotency WHERE person = $1 AND route = $2 AND key = $3`,
		person, route, key, longestRequest).Scan(&hash, &status, &answer, &old)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil, ErrConflict
	case err != nil:
		return nil, err
	case !bytes.Equal(hash, bodyHash[:]):
		return nil, ErrKeyReused
	case status == nil && old:
		return nil, refuse("the server ended in the middle of the first request with this key", "look whether it was done; if not, send it with a new key")
	case status == nil:
		return nil, ErrConflict
	}
	return &StoredAnswer{Status: *status, Body: answer}, nil
}

// IdempotentEnd keeps the answer; an answer with status 0 forgets the key, so that a request that
// failed inside the server may be tried again.
func (s *Store) IdempotentEnd(ctx context.Context, person uuid.UUID, route, key string, a StoredAnswer) error {
	sql, args := `UPDATE idempotency SET status = $4, answer = $5 WHERE person = $1 AND route = $2 AND key = $3`, []any{person, route, key, a.Status, a.Body}
	if a.Status == 0 {
		sql, args = `DELETE FROM idempotency WHERE person = $1 AND route = $2 AND key = $3`, args[:3]
	}
	_, err := s.pool.Exec(ctx, sql, args...)
	return err
}
