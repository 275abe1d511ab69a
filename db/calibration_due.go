package db

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
)

// CalibrationStanding is how a machine stands by its calibration, and how long it has run.
type CalibrationStanding struct {
	Machine uuid.UUID
	Rule    checklist.CalibrationRule
	Last    *time.Time // when the accepted calibration was measured; nil for never
	RanMS   int64      // machine time since then; 0 where there was none
	checklist.Calibration
	lockedOut   bool
	liftedAgain bool // a lockout for this was lifted not long ago
}

// CalibrationStandings are how all machines stand, in one query; machine narrows it to one (zero: all).
func (s *Store) CalibrationStandings(ctx context.Context, machine uuid.UUID) (map[uuid.UUID]CalibrationStanding, error) {
	list, err := readAll(ctx, s.pool, func(row pgx.CollectableRow) (v CalibrationStanding, err error) {
		var now time.Time
		err = row.Scan(&v.Machine, &v.Rule.Days, &v.Rule.Hours, &v.Last, &v.RanMS, &now, &v.lockedOut, &v.liftedAgain)
		v.Calibration = v.Rule.Judge(v.Last, v.RanMS, now)
		return v, err
	}, `SELECT m.id, m.calibrate_days, m.calibrate_hours, c.measured_at, ran.ms, now(),
			EXISTS (SELECT 1 FROM lockout l WHERE l.machine = m.id AND l.lifted_at IS NULL),
			EXISTS (SELECT 1 FROM lockout l WHERE l.machine = m.id AND l.cause = $3 AND l.lifted_at > now() - $2::interval)
		FROM machine m
		LEFT JOIN LATERAL (SELECT measured_at FROM calibration WHERE machine = m.id AND decision = 'accepted' ORDER BY measured_at DESC LIMIT 1) c ON true
		JOIN LATERAL (SELECT coalesce(sum(real_ms), 0)::bigint AS ms FROM run
			WHERE machine = m.id AND phase = 'closed' AND ended_at > c.measured_at) ran ON true
		WHERE $1 = '00000000-0000-0000-0000-000000000000'::uuid OR m.id = $1`, machine, liftedFor, causeCalibration)
	if err != nil {
		return nil, err
	}
	out := make(map[uuid.UUID]CalibrationStanding, len(list))
	for _, v := range list {
		out[v.Machine] = v
	}
	return out, nil
}

// MachineHours is how long a machine has run in all, in ms of machine time.
func (s *Store) MachineHours(ctx context.Context, machine uuid.UUID) (ms int64, err error) {
	err = s.pool.QueryRow(ctx, `SELECT coalesce(sum(real_ms), 0)::bigint FROM run WHERE machine = $1 AND phase = 'closed'`, machine).Scan(&ms)
	return ms, err
}

// SetCalibrationRule says how often a machine is to be calibrated; 0 = not by that. Errors: ErrNotFound,
// *Refused.
func (s *Store) SetCalibrationRule(ctx context.Context, actor Actor, machine uuid.UUID, rule checklist.CalibrationRule) error {
	if rule.Days < 0 || rule.Days > 3650 || rule.Hours < 0 || rule.Hours > 100_000 {
		return refuse("the interval is out of range", "choose up to 3650 days and up to 100000 hours; 0 leaves one out")
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `UPDATE machine SET calibrate_days = $2, calibrate_hours = $3 WHERE id = $1`,
				args: []any{machine, rule.Days, rule.Hours}, rows: 1, conflict: ErrNotFound}},
			entries: []draft{{kind: logbook.CalibrationRuleSet, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, machine)},
				body: logbook.Body{"days": rule.Days, "hours": rule.Hours}}},
		}, nil
	})
	return err
}

// LockUncalibrated locks out the machines whose calibration is badly overdue and says how many. Who lifts
// such a lockout has a day to calibrate.
func (s *Store) LockUncalibrated(ctx context.Context) (int, error) {
	all, err := s.CalibrationStandings(ctx, uuid.Nil)
	if err != nil {
		return 0, err
	}
	locked := 0
	for id, was := range all {
		if !was.mustLock() {
			continue
		}
		done, err := s.lockOutFor(ctx, causeCalibration, id, func(ctx context.Context) (string, error) {
			now, err := s.CalibrationStandings(ctx, id)
			if v := now[id]; err != nil || !v.mustLock() {
				return "", err
			}
			return "calibration badly overdue: " + now[id].Why, nil
		})
		if err != nil {
			return locked, err
		}
		if done {
			locked++
		}
	}
	return locked, nil
}

func (v CalibrationStanding) mustLock() bool {
	return v.State == checklist.BadlyOverdue && !v.lockedOut && !v.liftedAgain
}
