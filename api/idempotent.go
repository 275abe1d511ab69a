package api

import (
	"bytes"
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"kerfgate/db"
)

// Bounds of an Idempotency-Key. It must not be guessable: it also seals the kept answer.
const (
	minKey = 16
	maxKey = 200
)

// answerOnce gives the first answer again to a POST that comes again with the same
// Idempotency-Key, person and route; with another body it is refused. Answers of 500 and above are
// not kept.
func (s *Server) answerOnce(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		v, req := visitOf(c), c.Request()
		key := req.Header.Get("Idempotency-Key")
		if !v.rule.once || key == "" {
			return next(c)
		}
		who, ok := personOf(c)
		if !ok {
			return errNotSignedIn
		}
		if !goodKey(key) {
			return invalid("Idempotency-Key", "the key cannot be used", "use 16 to 200 visible ASCII characters that nobody can guess, such as a random UUID")
		}
		var body []byte
		if v.rule.body > 0 {
			var err error
			if body, err = readBounded(req.Body, v.rule.body); err != nil {
				return err
			}
			req.Body = io.NopCloser(bytes.NewReader(body))
		}
		// The concrete address counts: the same key on another run is another request.
		route := v.method + " " + req.URL.Path
		name := sha256.Sum256([]byte(key))
		kept := hex.EncodeToString(name[:])
		stored, err := s.store.IdempotentBegin(req.Context(), who.Person.ID, route, kept, bodyHash(req, body))
		if err != nil {
			if errors.Is(err, db.ErrConflict) {
				return errPreparing
			}
			return err
		}
		if stored != nil {
			return replay(c, key, *stored)
		}
		return s.answerAndKeep(c, next, who, route, key, kept)
	}
}

func (s *Server) answerAndKeep(c echo.Context, next echo.HandlerFunc, who signedIn, route, key, kept string) error {
	tee := &teeWriter{ResponseWriter: c.Response().Writer}
	c.Response().Writer = tee
	var answer db.StoredAnswer // status 0 forgets the key, so that what failed may be tried again
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(c.Request().Context()), 5*time.Second)
		defer cancel()
		if err := s.store.IdempotentEnd(ctx, who.Person.ID, route, kept, answer); err != nil {
			s.log.Error("answer not kept", "request", visitOf(c).id, "error", err)
		}
	}()
	if err := next(c); err != nil {
		c.Error(err) // so that a refusal is kept as it was answered
	}
	c.Response().Writer = tee.ResponseWriter
	status := c.Response().Status
	if !c.Response().Committed || status >= http.StatusInternalServerError {
		return nil
	}
	sealed, err := seal(key, tee.copy.Bytes())
	if err != nil {
		return err
	}
	answer = db.StoredAnswer{Status: status, Body: sealed}
	return nil
}

func replay(c echo.Context, key string, stored db.StoredAnswer) error {
	body, err := unseal(key, stored.Body)
	if err != nil {
		return db.ErrKeyReused
	}
	c.Response().Header().Set("Idempotent-Replay", "true")
	if len(body) == 0 {
		return c.NoContent(stored.Status)
	}
	kind := "application/json"
	if stored.Status >= http.StatusBadRequest {
		kind = "application/problem+json"
	}
	return c.Blob(stored.Status, kind, body)
}

// bodyHash covers everything that decides the answer beside person and path.
func bodyHash(req *http.Request, body []byte) [sha256.Size]byte {
	h := sha256.New()
	for _, part := range []string{req.URL.RawQuery, req.Header.Get("If-Match")} {
		sum := sha256.Sum256([]byte(part))
		h.Write(sum[:])
	}
	h.Write(body)
	return [sha256.Size]byte(h.Sum(nil))
}

func goodKey(key string) bool {
	if len(key) < minKey || len(key) > maxKey {
		return false
	}
	for i := range len(key) {
		if key[i] <= ' ' || key[i] > '~' {
			return false
		}
	}
	return true
}

// An answer may hold a token that is shown once (signing), so what is kept is sealed under the
// key: who reads the database, which has only the key's hash, cannot attend a run.

func sealer(key string) (cipher.AEAD, error) {
	secret, err := hkdf.Key(sha256.New, []byte(key), nil, "kerfgate kept answer v1", 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(secret)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCMWithRandomNonce(block)
}

func seal(key string, body []byte) ([]byte, error) {
	aead, err := sealer(key)
	if err != nil {
		return nil, err
	}
	return aead.Seal(nil, nil, body, nil), nil
}

func unseal(key string, sealed []byte) ([]byte, error) {
	aead, err := sealer(key)
	if err != nil {
		return nil, err
	}
	return aead.Open(nil, nil, sealed, nil)
}

// teeWriter keeps a copy of what is answered.
type teeWriter struct {
	http.ResponseWriter
	copy bytes.Buffer
}

func (w *teeWriter) Write(p []byte) (int, error) {
	w.copy.Write(p)
	return w.ResponseWriter.Write(p)
}

// Unwrap lets a ResponseController reach the connection.
func (w *teeWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }
