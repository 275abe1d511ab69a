package db

import (
	"context"
	"errors"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/plan/material"
)

// TakeMaterialList takes the list of materials that ships with the program over into the site's own, where
// an officer edits it. Each version is taken once: rows that are there already, or whose name is taken, stay
// as the officer left them.
func (s *Store) TakeMaterialList(ctx context.Context) error {
	list := material.Shipped()
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		var taken int64
		if err := s.pool.QueryRow(ctx, `SELECT list_version FROM site`).Scan(&taken); err != nil {
			return write{}, err
		}
		if taken >= list.Version {
			return write{}, errNothing
		}
		digest, err := canon.DigestOf(list)
		if err != nil {
			return write{}, err
		}
		w := write{
			statements: []statement{{sql: `UPDATE site SET list_version = $1 WHERE list_version = $2`, args: []any{list.Version, taken}, rows: 1}},
			entries:    []draft{{kind: logbook.MaterialListTaken, body: logbook.Body{"version": list.Version, "list": digest[:], "count": int64(len(list.Materials))}}},
		}
		ids := make([]uuid.UUID, len(list.Materials))
		rows := make([]material.Material, len(list.Materials))
		salts := make([][]byte, len(list.Materials))
		for i, l := range list.Materials {
			ids[i], rows[i], salts[i] = newID(), l.Material, newSalt()
		}
		w.statements = append(w.statements, statement{sql: `WITH given AS (
				SELECT u.id, u.salt, l.value AS v FROM unnest($1::uuid[], $2::bytea[]) WITH ORDINALITY u (id, salt, n)
					JOIN jsonb_array_elements($3::jsonb) WITH ORDINALITY l (value, n) USING (n)),
			texts AS (SELECT id, salt, v, (SELECT coalesce(array_agg(x), '{}') FROM jsonb_array_elements_text(v -> 'hazards') x) AS hazards,
					(SELECT coalesce(array_agg(x), '{}') FROM jsonb_array_elements_text(v -> 'fumes') x) AS fumes,
					(SELECT coalesce(array_agg(x), '{}') FROM jsonb_array_elements_text(coalesce(v -> 'only', '[]')) x) AS only_operations,
					(SELECT coalesce(array_agg(x), '{}') FROM jsonb_array_elements_text(coalesce(v -> 'marks', '[]')) x) AS marks FROM given),
			taken AS (INSERT INTO material (id, name, composition, constituents, colour_class, hazards, fumes, verdict, reason, sources, only_operations, marks, listed)
				SELECT id, v ->> 'name', coalesce(v ->> 'label', ''), v -> 'composition', '', hazards, fumes, v ->> 'verdict', v ->> 'reason', v -> 'sources',
					only_operations, marks, (v ->> 'listed')::bigint
				FROM texts WHERE NOT EXISTS (SELECT 1 FROM material m WHERE m.listed = (v ->> 'listed')::bigint AND lower(m.name) = lower(v ->> 'name'))
				ON CONFLICT DO NOTHING RETURNING id, verdict, reason)
			INSERT INTO material_change (material, rev, verdict, reason, salt) SELECT t.id, 1, t.verdict, t.reason, g.salt FROM taken t JOIN given g USING (id)`,
			args: []any{ids, salts, rows}, rows: anyRows})
		return w, nil
	})
	if errors.Is(err, errNothing) {
		return nil
	}
	return err
}
