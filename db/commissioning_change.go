package db

import (
	"context"
	"strings"
	"unicode/utf8"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
	"kerfgate/plan/machine"
)

// BeginCommissioning begins to measure with a tool of the machine's profile. Errors: ErrNotFound,
// ErrNotAllowed, *Refused also where one is open.
func (s *Store) BeginCommissioning(ctx context.Context, actor Actor, id uuid.UUID, tool string) (Commissioning, error) {
	if !actor.Role.Officer() {
		return Commissioning{}, ErrNotAllowed
	}
	made := newID()
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, id)
		if err != nil {
			return write{}, err
		}
		if _, ok := m.Profile.Tool(tool); !ok {
			return write{}, refuse("the machine has no tool of that name", "choose one of its tools")
		}
		return write{
			statements: []statement{{sql: `INSERT INTO commissioning (id, machine, tool, profile, begun_by) VALUES ($1, $2, $3, $4, $5)`,
				args: []any{made, id, tool, m.ProfileDigest[:], actor.Person}, rows: 1}},
			entries: []draft{{kind: logbook.CommissioningBegun, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, id), about("commissioning", made)},
				body:     logbook.Body{"tool": tool, "profile": m.ProfileDigest[:]}}},
		}, nil
	})
	if err != nil {
		return Commissioning{}, err
	}
	return s.Commissioning(ctx, made)
}

// AnswerCommissioning keeps one answer, in place of an earlier one. Whoever measured is an account that
// is open. Errors: ErrNotFound, ErrNotAllowed, *Refused for what does not answer the question.
func (s *Store) AnswerCommissioning(ctx context.Context, actor Actor, id uuid.UUID, a CommissioningAnswer) (Commissioning, error) {
	if !actor.Role.Officer() {
		return Commissioning{}, ErrNotAllowed
	}
	a.Way, a.Instrument, a.Words = strings.TrimSpace(a.Way), strings.TrimSpace(a.Instrument), strings.TrimSpace(a.Words)
	if a.Numbers == nil {
		a.Numbers = []int64{}
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		c, err := s.openCommissioning(ctx, id)
		if err != nil {
			return write{}, err
		}
		if err := s.fits(ctx, c, a); err != nil {
			return write{}, err
		}
		salt := newSalt()
		told := logbook.SaltedDigest(salt, []byte(strings.Join([]string{a.Words, a.Way, a.Instrument}, "\x00")))
		numbers := make([]any, len(a.Numbers))
		for i, n := range a.Numbers {
			numbers[i] = n
		}
		return write{
			statements: []statement{
				{sql: `UPDATE commissioning SET rev = rev + 1 WHERE id = $1 AND rev = $2 AND ended_at IS NULL`, args: []any{id, c.Rev}, rows: 1},
				{sql: `INSERT INTO commissioning_answer (commissioning, question, measured, numbers, words, way, instrument, measured_by, told_by, salt)
					VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
					ON CONFLICT (commissioning, question) DO UPDATE SET measured = $3, numbers = $4, words = $5, way = $6, instrument = $7,
						measured_by = $8, told_by = $9, told_at = now(), salt = $10`,
					args: []any{id, a.Question, a.Measured, a.Numbers, a.Words, a.Way, a.Instrument, a.MeasuredBy, actor.Person, salt}, rows: 1},
			},
			entries: []draft{{kind: logbook.CommissioningAnswered, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, c.Machine), about("commissioning", id), about("measured_by", a.MeasuredBy)},
				body:     logbook.Body{"item": a.Question, "measured": a.Measured, "numbers": numbers, "told_digest": told[:]}}},
		}, nil
	})
	if err != nil {
		return Commissioning{}, err
	}
	return s.Commissioning(ctx, id)
}

// fits says what is wrong with an answer.
func (s *Store) fits(ctx context.Context, c Commissioning, a CommissioningAnswer) error {
	q, ok := c.Question(a.Question)
	if !ok {
		return refuse("there is no such question", "choose one of the list")
	}
	if !a.Measured {
		if len(a.Numbers) > 0 || a.Words != "" {
			return refuse("it is said to be unmeasured and has an answer", "give the answer, or leave it unmeasured")
		}
	} else if err := q.Check(a.Numbers, a.Words); err != nil {
		return refuse(err.Error(), q.Do)
	} else if a.Way == "" {
		return refuse("how it was measured is not said", "say for instance: "+q.By[0])
	}
	if utf8.RuneCountInString(a.Way) > 100 || utf8.RuneCountInString(a.Instrument) > 200 {
		return refuse("how and with what are too long", "say it in 100 and 200 letters at most")
	}
	var open bool
	if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM person WHERE id = $1 AND disabled_at IS NULL)`, a.MeasuredBy).Scan(&open); err != nil {
		return err
	}
	if !open {
		return refuse("who measured is no open account of this site", "choose a person of the list")
	}
	return nil
}

// PublishCommissioning makes what was measured another version of the machine's profile, in one step
// with the entries of both. Open sign-offs are voided (I10). Errors: ErrNotFound, ErrNotAllowed,
// *Refused while a question is open, where nothing was measured, and where the profile of what was
// measured has changed since.
func (s *Store) PublishCommissioning(ctx context.Context, actor Actor, id uuid.UUID) (Commissioning, error) {
	if !actor.Role.Officer() {
		return Commissioning{}, ErrNotAllowed
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		c, err := s.openCommissioning(ctx, id)
		if err != nil {
			return write{}, err
		}
		m, next, err := s.commissioned(ctx, c)
		if err != nil {
			return write{}, err
		}
		w, digest, err := s.publishing(ctx, actor, m, next)
		if err != nil {
			return write{}, err
		}
		w.statements = append(w.statements, statement{sql: `UPDATE commissioning SET ended_at = now(), ended_by = $2, result = $3, rev = rev + 1
			WHERE id = $1 AND rev = $4 AND ended_at IS NULL`, args: []any{id, actor.Person, digest[:], c.Rev}, rows: 1})
		worst, proven := next.CutOff.Worst()
		w.entries = append(w.entries, draft{kind: logbook.CommissioningPublished, actor: actor,
			subjects: []logbook.Subject{about(logbook.RoleMachine, c.Machine), about("commissioning", id)},
			body:     logbook.Body{"tool": c.Tool, "profile": digest[:], "cut_off_tested": proven, "cut_off_ms": worst}})
		return w, nil
	})
	if err != nil {
		return Commissioning{}, err
	}
	return s.Commissioning(ctx, id)
}

// commissioned gives the machine and the profile that a commissioning would make of its own.
func (s *Store) commissioned(ctx context.Context, c Commissioning) (Machine, machine.Profile, error) {
	m, err := s.Machine(ctx, c.Machine)
	if err != nil {
		return m, machine.Profile{}, err
	}
	if q, open := c.Next(); open {
		return m, machine.Profile{}, refuse("a question is open: "+q.Text, "answer it, or leave it unmeasured")
	}
	if m.ProfileDigest != c.Profile {
		begun, err := s.Profile(ctx, c.Profile)
		if err != nil {
			return m, machine.Profile{}, err
		}
		if !begun.MeasuresAlike(m.Profile, c.Tool) {
			return m, machine.Profile{}, refuse("the profile of what was measured has changed since this began", "give it up and measure anew with the profile in force")
		}
	}
	found, err := c.Measured()
	if err != nil {
		return m, machine.Profile{}, err
	}
	next := found.Apply(m.Profile, c.Tool)
	if digest, err := next.Digest(); err != nil {
		return m, next, err
	} else if digest == m.ProfileDigest {
		return m, next, refuse("nothing was measured that the profile does not say already", "measure something, or give it up")
	}
	return m, next, nil
}

// AbandonCommissioning gives a commissioning up; its answers stay readable. Errors: ErrNotFound,
// ErrNotAllowed.
func (s *Store) AbandonCommissioning(ctx context.Context, actor Actor, id uuid.UUID) error {
	if !actor.Role.Officer() {
		return ErrNotAllowed
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		c, err := s.openCommissioning(ctx, id)
		if err != nil {
			return write{}, err
		}
		return write{
			statements: []statement{{sql: `UPDATE commissioning SET ended_at = now(), ended_by = $2, rev = rev + 1 WHERE id = $1 AND rev = $3 AND ended_at IS NULL`,
				args: []any{id, actor.Person, c.Rev}, rows: 1}},
			entries: []draft{{kind: logbook.CommissioningAbandoned, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, c.Machine), about("commissioning", id)}}},
		}, nil
	})
	return err
}

func (s *Store) openCommissioning(ctx context.Context, id uuid.UUID) (Commissioning, error) {
	c, err := s.Commissioning(ctx, id)
	if err == nil && c.EndedAt != nil {
		err = refuse("this commissioning has ended", "begin another")
	}
	return c, err
}
