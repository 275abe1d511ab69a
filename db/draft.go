package db

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/plan/canon"
)

// Draft is a drawing that a member has begun to hand in, with what was chosen so far. It is no state of the
// site: nothing is logged of it but the drawing, and it ends with the job.
type Draft struct {
	Drawing  uuid.UUID
	FileName string
	Machine  uuid.UUID
	Tool     string
	Stock    uuid.UUID
	// Plan is the last that was made for it; zero where none was, or where it is kept no longer.
	Plan   canon.Digest
	Title  string
	Copies int64
	Due    string    // as the page's field gives it
	Set    uuid.UUID // zero for none
	KeptAt time.Time
}

// MaxDrafts is how many drafts are kept of a member, the newest.
const MaxDrafts = 100

// KeepDraft keeps what a member chose for a drawing of theirs, in place of what was kept before. A drawing that
// is somebody else's is left alone.
func (s *Store) KeepDraft(ctx context.Context, actor Actor, d Draft) error {
	var plan []byte
	if d.Plan != (canon.Digest{}) {
		plan = d.Plan[:]
	}
	_, err := s.pool.Exec(ctx, `INSERT INTO draft (drawing, member, machine, tool, stock, plan, title, copies, due, set_id)
		SELECT d.id, d.member, $3, $4, $5, $6, $7, $8, $9, (SELECT id FROM job_set WHERE id = $10 AND member = $2) FROM drawing d WHERE d.id = $1 AND d.member = $2
		ON CONFLICT (drawing) DO UPDATE SET machine = excluded.machine, tool = excluded.tool, stock = excluded.stock, plan = coalesce(excluded.plan, draft.plan),
			title = excluded.title, copies = excluded.copies, due = excluded.due, set_id = excluded.set_id, kept_at = now()`,
		d.Drawing, actor.Person, d.Machine, d.Tool, d.Stock, plan, d.Title, min(max(1, d.Copies), MaxCopies), d.Due, d.Set)
	if err != nil {
		return meaning(err)
	}
	_, err = s.pool.Exec(ctx, `DELETE FROM draft WHERE member = $1 AND drawing IN (SELECT drawing FROM draft WHERE member = $1 ORDER BY kept_at DESC, drawing OFFSET $2)`,
		actor.Person, MaxDrafts)
	return err
}

// DropDraft forgets a draft of the actor's; the drawing stays. Of none it is no error.
func (s *Store) DropDraft(ctx context.Context, actor Actor, drawing uuid.UUID) error {
	_, err := s.pool.Exec(ctx, `DELETE FROM draft WHERE drawing = $1 AND member = $2`, drawing, actor.Person)
	return err
}

const selectDraft = `SELECT d.drawing, g.file_name, d.machine, d.tool, d.stock, pl.digest, d.title, d.copies, d.due, d.set_id, d.kept_at
	FROM draft d JOIN drawing g ON g.id = d.drawing
	LEFT JOIN plan pl ON pl.digest = d.plan AND pl.member = d.member AND pl.machine = d.machine `

func scanDraft(row pgx.CollectableRow) (d Draft, err error) {
	var plan []byte
	var set *uuid.UUID
	err = row.Scan(&d.Drawing, &d.FileName, &d.Machine, &d.Tool, &d.Stock, &plan, &d.Title, &d.Copies, &d.Due, &set, &d.KeptAt)
	copy(d.Plan[:], plan)
	if set != nil {
		d.Set = *set
	}
	return d, err
}

// Drafts lists what the actor has begun to hand in, the newest first.
func (s *Store) Drafts(ctx context.Context, actor Actor) ([]Draft, error) {
	return readAll(ctx, s.pool, scanDraft, selectDraft+`WHERE d.member = $1 ORDER BY d.kept_at DESC, d.drawing LIMIT $2`, actor.Person, MaxDrafts)
}

// Draft reads a draft of the actor's. Errors: ErrNotFound.
func (s *Store) Draft(ctx context.Context, actor Actor, drawing uuid.UUID) (Draft, error) {
	return readOne(ctx, s.pool, scanDraft, selectDraft+`WHERE d.drawing = $1 AND d.member = $2`, drawing, actor.Person)
}
