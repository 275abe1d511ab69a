package db

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// KeptHead is a signed head of the logbook that is kept.
type KeptHead struct {
	Size int64
	Note string // the signed text
	At   time.Time
}

// KeptHead signs the head as it stands, or finds it where it was signed already.
func (s *Store) KeptHead(ctx context.Context) (h KeptHead, err error) {
	_, size, err := s.LogHead(ctx)
	if err != nil {
		return h, err
	}
	err = s.pool.QueryRow(ctx, `SELECT size, note, at FROM log_signed_head WHERE size = $1`, size).Scan(&h.Size, &h.Note, &h.At)
	return h, err
}

// headOver finds the oldest kept head that covers the entry at an index: it stays the same however far the
// logbook goes on. Where there is none yet, the head is signed as it stands.
func (s *Store) headOver(ctx context.Context, index int64) (h KeptHead, err error) {
	site, err := s.Site(ctx)
	if err != nil {
		return h, err
	}
	err = s.pool.QueryRow(ctx, `SELECT h.size, h.note, h.at FROM log_signed_head h JOIN log_head l ON h.size <= l.size
		WHERE h.size > $1 AND starts_with(h.note, $2) ORDER BY h.size LIMIT 1`, index, s.origin(site)+"\n").Scan(&h.Size, &h.Note, &h.At)
	if errors.Is(err, pgx.ErrNoRows) {
		return s.KeptHead(ctx)
	}
	return h, err
}

// HeadVerdict is what a head from outside comes to, held against the logbook as it is.
type HeadVerdict struct {
	Head logbook.Head
	Now  int64 // entries that the logbook holds
	// Consistent: the first entries of the logbook, as many as the head counts, are those that it was signed over.
	Consistent bool
	// Cut: the head was signed under another origin, before a restore began a log of another name.
	Cut bool
}

// CheckHead holds a head that was kept elsewhere, such as on paper, against the logbook: signed by a key that
// the site has or had, and followed by what the logbook holds. Errors: *Refused where it cannot be read or
// its signature is none of this site's.
func (s *Store) CheckHead(ctx context.Context, text string) (v HeadVerdict, err error) {
	text = asPrinted(text)
	keys, err := s.everyVerifier(ctx)
	if err != nil {
		return v, err
	}
	v.Head, err = logbook.OpenHead([]byte(text), keys)
	switch {
	case errors.Is(err, logbook.ErrHead):
		return v, refuse("this is no signed head", "give the whole text: origin, size, root, an empty line, and the line that begins with a dash")
	case errors.Is(err, logbook.ErrSignature):
		return v, refuse("the signature is not good, or of a key that this site never had", "compare the text with the paper letter by letter, or scan its code; if it still differs, keep the paper and tell the admin")
	case err != nil:
		return v, err
	}
	site, err := s.Site(ctx)
	if err != nil {
		return v, err
	}
	tree, err := s.tree(ctx)
	if err != nil {
		return v, err
	}
	now := logbook.Head{Origin: s.origin(site), Size: tree.Size, Root: tree.Root()}
	v.Now, v.Cut = now.Size, v.Head.Origin != now.Origin
	if v.Head.Size > now.Size {
		return v, nil
	}
	proof, err := logbook.ProveConsistency(v.Head.Size, now.Size, hashes{ctx, s})
	if err != nil {
		return v, err
	}
	v.Consistent = logbook.CheckConsistency(proof, v.Head, now) == nil
	return v, nil
}

// asPrinted brings a text that was pasted or scanned into the one spelling of a signed note: lines end with a
// newline alone, and nothing stands around it.
func asPrinted(text string) string {
	lines := strings.Split(strings.ReplaceAll(strings.TrimSpace(text), "\r\n", "\n"), "\n")
	for i, l := range lines {
		lines[i] = strings.TrimSpace(l)
	}
	return strings.Join(lines, "\n") + "\n"
}
