package db

import (
	"context"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
)

// Drawing is a file that a member handed in, stored as received.
type Drawing struct {
	ID         uuid.UUID
	Digest     canon.Digest
	Member     uuid.UUID
	FileName   string
	Size       int64
	ReceivedAt time.Time
}

// maxDrawing is how large a drawing may be: the planner's own bound.
const maxDrawing = 32 << 20

// ReceiveDrawing stores a file as it came. The planner judges it later, so anything may be kept
// here, but not anything large. Errors: *Refused.
func (s *Store) ReceiveDrawing(ctx context.Context, actor Actor, fileName string, data []byte) (Drawing, error) {
	if len(data) == 0 {
		return Drawing{}, refuse("the file is empty", "hand in a drawing")
	}
	if len(data) > maxDrawing {
		return Drawing{}, refuse("the file is over 32 MiB", "simplify the drawing or split it")
	}
	if err := s.withinFiles(ctx, actor.Person, int64(len(data))); err != nil {
		return Drawing{}, err
	}
	salt := newSalt()
	digest, statements := putBlob(data)
	d := Drawing{ID: newID(), Digest: digest, Member: actor.Person, FileName: cleanName(fileName), Size: int64(len(data))}
	nameDigest := logbook.SaltedDigest(salt, []byte(d.FileName))
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: append(statements, statement{sql: `INSERT INTO drawing (id, digest, member, file_name, salt) VALUES ($1, $2, $3, $4, $5)`,
				args: []any{d.ID, digest[:], actor.Person, d.FileName, salt}, rows: 1}),
			entries: []draft{{kind: logbook.DrawingReceived, actor: actor, subjects: []logbook.Subject{about("drawing", d.ID)},
				body: logbook.Body{"drawing": digest[:], "size": d.Size, "name_digest": nameDigest[:]}}},
		}, nil
	})
	if err != nil {
		return Drawing{}, err
	}
	return s.Drawing(ctx, actor, d.ID)
}

// cleanName keeps a file name for showing only: no path is ever made from it.
func cleanName(name string) string {
	name = strings.Map(func(r rune) rune {
		// Control characters and marks that turn the direction of text could make one name look
		// like another.
		if r < 0x20 || r == 0x7f || r == utf8.RuneError || (r >= 0x202a && r <= 0x202e) || (r >= 0x2066 && r <= 0x2069) || r == 0x200e || r == 0x200f {
			return -1
		}
		return r
	}, name)
	if i := strings.LastIndexAny(name, `/\`); i >= 0 {
		name = name[i+1:]
	}
	if len(name) > 120 {
		name = strings.ToValidUTF8(name[:120], "")
	}
	if name = strings.TrimSpace(name); name == "" {
		return "drawing"
	}
	return name
}

// Drawing finds a drawing that the actor may see: their own, or any for officers, admins and
// operators. Errors: ErrNotFound.
func (s *Store) Drawing(ctx context.Context, actor Actor, id uuid.UUID) (Drawing, error) {
	var d Drawing
	var digest []byte
	err := s.pool.QueryRow(ctx, `SELECT d.id, d.digest, d.member, d.file_name, b.size, d.received_at
		FROM drawing d JOIN blob b ON b.digest = d.digest WHERE d.id = $1 AND (d.member = $2 OR `+seesAll("$2", "$3")+`)`,
		id, actor.Person, actor.Role).Scan(&d.ID, &digest, &d.Member, &d.FileName, &d.Size, &d.ReceivedAt)
	copy(d.Digest[:], digest)
	return d, meaning(err)
}

// seesAll is the SQL for who may see other people's drawings, jobs and runs.
func seesAll(person, role string) string {
	return role + `::text IN ('officer', 'admin', 'all') OR EXISTS (SELECT 1 FROM authorisation au
		WHERE au.person = ` + person + ` AND authorisation_holds(au))`
}

// DrawingData reads the bytes as they came. Errors: ErrNotFound.
func (s *Store) DrawingData(ctx context.Context, actor Actor, id uuid.UUID) ([]byte, error) {
	d, err := s.Drawing(ctx, actor, id)
	if err != nil {
		return nil, err
	}
	return s.blob(ctx, d.Digest)
}
