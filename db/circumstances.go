package db

import (
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/plan/machine"
)

// atMachine is a run with the machine that it is for.
type atMachine struct {
	run     uuid.UUID
	profile machine.Profile
}

// allCircumstances are those of several runs, by run.
type allCircumstances map[uuid.UUID]checklist.Circumstances

// readCircumstances reads what surrounds several runs: one query, however many they are.
func (s *Store) readCircumstances(b *pgx.Batch, list []atMachine, all allCircumstances) {
	runs, since := make([]uuid.UUID, len(list)), make([]*time.Time, len(list))
	for i, a := range list {
		runs[i] = a.run
		if on, err := time.ParseInLocation(time.DateOnly, a.profile.Air.FilterSince, s.cfg.Location); err == nil {
			since[i] = &on
		}
	}
	b.Queue(`SELECT r.id, pl.hot_spots IS NOT NULL, coalesce(pl.hot_spots, 0), coalesce(pl.cut_um, 0), coalesce(pl.mark_um, 0),
			coalesce(pl.engrave_um, 0),
			NOT EXISTS (SELECT 1 FROM setting se WHERE se.machine = r.machine AND se.tool = r.tool AND se.material = st.material AND se.evidence <> '')
				AND NOT EXISTS (SELECT 1 FROM stock ds CROSS JOIN LATERAL (SELECT 1 FROM run d WHERE d.machine = r.machine AND d.tool = r.tool AND d.stock = ds.id
					AND d.phase = 'closed' AND d.outcome = 'completed' LIMIT 1) done WHERE ds.material = st.material),
			(SELECT max(l.lifted_at) FROM lockout l WHERE l.machine = r.machine
				AND NOT EXISTS (SELECT 1 FROM run d WHERE d.machine = r.machine AND d.id <> r.id AND d.started_at > l.lifted_at)),
			coalesce((SELECT sum(d.real_ms)::bigint FROM run d WHERE d.machine = r.machine AND d.phase = 'closed'
				AND d.ended_at >= asked.since), 0),
			coalesce((SELECT kind = 'alone' FROM site), false),
			coalesce((SELECT contact FROM site), ''),
			coalesce((SELECT p.name FROM answer a JOIN person p ON p.id = a.by_person WHERE a.run = r.id AND a.item = 'second'), '')
		FROM unnest($1::uuid[], $2::timestamptz[]) asked (run, since) JOIN run r ON r.id = asked.run JOIN stock st ON st.id = r.stock
		LEFT JOIN LATERAL ((SELECT 0 AS others, hot_spots, cut_um, mark_um, engrave_um FROM plan WHERE digest = r.plan AND machine = r.machine AND member = r.member)
			UNION ALL (SELECT 1, hot_spots, cut_um, mark_um, engrave_um FROM plan WHERE digest = r.plan AND machine = r.machine LIMIT 1)
			ORDER BY others LIMIT 1) pl ON true`, runs, since).Query(func(rows pgx.Rows) error {
		var id uuid.UUID
		var c checklist.Circumstances
		var lifted *time.Time
		var ranMS int64
		_, err := pgx.ForEachRow(rows, []any{&id, &c.Counted, &c.HotSpots, &c.CutUM, &c.MarkUM, &c.EngraveUM, &c.New, &lifted, &ranMS, &c.Alone, &c.Contact, &c.Second}, func() error {
			c.LiftedAt, c.FilterRan = time.Time{}, time.Duration(ranMS)*time.Millisecond
			if lifted != nil {
				c.LiftedAt = *lifted
			}
			all[id] = c
			return nil
		})
		return err
	})
}
