package db

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
)

// Commissioning is what was measured at a machine with one of its tools; its answers stay when it is
// left, until it is published as another version of the profile or given up.
type Commissioning struct {
	ID        uuid.UUID
	Machine   uuid.UUID
	Tool      string
	Profile   canon.Digest // in force when it began
	BegunBy   string
	BegunAt   time.Time
	EndedBy   string
	EndedAt   *time.Time    // nil while it is open
	Result    *canon.Digest // nil where it was given up or is open
	Rev       int64
	Questions []machine.Question
	Answers   map[string]CommissioningAnswer // by the question's key
}

// CommissioningAnswer is one answer, with who found it out and how.
type CommissioningAnswer struct {
	Question       string
	Measured       bool // false: left unmeasured on purpose
	Numbers        []int64
	Words          string
	Way            string // how it was measured
	Instrument     string // with what, in words; may be empty
	MeasuredBy     uuid.UUID
	MeasuredByName string
	ToldByName     string
	ToldAt         time.Time
}

// Next is the first question without an answer; false where none is left.
func (c Commissioning) Next() (machine.Question, bool) {
	for _, q := range c.Questions {
		if _, ok := c.Answers[q.Key]; !ok {
			return q, true
		}
	}
	return machine.Question{}, false
}

// Question finds a question by its key.
func (c Commissioning) Question(key string) (machine.Question, bool) {
	i := slices.IndexFunc(c.Questions, func(q machine.Question) bool { return q.Key == key })
	if i < 0 {
		return machine.Question{}, false
	}
	return c.Questions[i], true
}

// Measured is what the answers come to.
func (c Commissioning) Measured() (machine.Measured, error) {
	// What was answered later is a little fresher than that: the day errs to the side of caution.
	m := machine.Measured{On: c.BegunAt.UTC().Format(time.DateOnly)}
	for _, q := range c.Questions {
		if a, ok := c.Answers[q.Key]; ok && a.Measured {
			if err := q.Take(&m, a.Numbers, a.Words); err != nil {
				return m, fmt.Errorf("answer to %s: %w", q.Key, err)
			}
		}
	}
	return m, nil
}

const selectCommissioning = `SELECT c.id, c.machine, c.tool, c.profile, b.name, c.begun_at, coalesce(e.name, ''), c.ended_at, c.result, c.rev, p.data
	FROM commissioning c JOIN person b ON b.id = c.begun_by LEFT JOIN person e ON e.id = c.ended_by JOIN profile p ON p.digest = c.profile`

func scanCommissioning(row pgx.CollectableRow) (Commissioning, error) {
	var c Commissioning
	var began, result, data []byte
	if err := row.Scan(&c.ID, &c.Machine, &c.Tool, &began, &c.BegunBy, &c.BegunAt, &c.EndedBy, &c.EndedAt, &result, &c.Rev, &data); err != nil {
		return c, err
	}
	copy(c.Profile[:], began)
	if result != nil {
		c.Result = new(canon.Digest)
		copy(c.Result[:], result)
	}
	var p machine.Profile
	if err := canon.Unmarshal(data, &p); err != nil {
		return c, err
	}
	if tool, ok := p.Tool(c.Tool); ok {
		c.Questions = machine.Questions(tool.Kind)
	}
	c.Answers = map[string]CommissioningAnswer{}
	return c, nil
}

// Commissioning reads one with its answers. Errors: ErrNotFound.
func (s *Store) Commissioning(ctx context.Context, id uuid.UUID) (Commissioning, error) {
	all, err := s.commissionings(ctx, ` WHERE c.id = $1`, id)
	if err == nil && len(all) == 0 {
		err = ErrNotFound
	}
	if err != nil {
		return Commissioning{}, err
	}
	return all[0], nil
}

// Commissionings lists those of a machine with their answers, the newest first, at most limit.
func (s *Store) Commissionings(ctx context.Context, machine uuid.UUID, limit int) ([]Commissioning, error) {
	return s.commissionings(ctx, ` WHERE c.machine = $1 ORDER BY c.begun_at DESC LIMIT $2`, machine, limit)
}

func (s *Store) commissionings(ctx context.Context, where string, args ...any) ([]Commissioning, error) {
	all, err := readAll(ctx, s.pool, scanCommissioning, selectCommissioning+where, args...)
	if err != nil || len(all) == 0 {
		return nil, err
	}
	ids := make([]uuid.UUID, len(all))
	place := map[uuid.UUID]int{}
	for i, c := range all {
		ids[i], place[c.ID] = c.ID, i
	}
	type answerOf struct {
		Commissioning uuid.UUID
		CommissioningAnswer
	}
	answers, err := readAll(ctx, s.pool, pgx.RowToStructByPos[answerOf], `SELECT a.commissioning, a.question, a.measured, a.numbers, a.words, a.way, a.instrument, a.measured_by, m.name, t.name, a.told_at
		FROM commissioning_answer a JOIN person m ON m.id = a.measured_by JOIN person t ON t.id = a.told_by WHERE a.commissioning = ANY($1)`, ids)
	for _, a := range answers {
		all[place[a.Commissioning]].Answers[a.Question] = a.CommissioningAnswer
	}
	return all, err
}

// Profile is a version of a machine's profile by its digest. Errors: ErrNotFound.
func (s *Store) Profile(ctx context.Context, digest canon.Digest) (p machine.Profile, err error) {
	var data []byte
	if err := s.pool.QueryRow(ctx, `SELECT data FROM profile WHERE digest = $1`, digest[:]).Scan(&data); err != nil {
		return p, meaning(err)
	}
	return p, canon.Unmarshal(data, &p)
}

// Proposal is the profile in force, the one that the answers so far would make of it, and why it could not be
// published now, if so. Errors are those of reading.
func (s *Store) Proposal(ctx context.Context, c Commissioning) (now, next machine.Profile, no []checklist.Reason, err error) {
	m, err := s.Machine(ctx, c.Machine)
	if err != nil {
		return now, next, nil, err
	}
	found, err := c.Measured()
	if err != nil {
		return now, next, nil, err
	}
	if _, _, err := s.commissioned(ctx, c); err != nil {
		var refused *Refused
		if !errors.As(err, &refused) {
			return now, next, nil, err
		}
		no = refused.Reasons
	}
	return m.Profile, found.Apply(m.Profile, c.Tool), no, nil
}
