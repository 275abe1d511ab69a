package generate

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// columns of what is copied, by table, in the order of copying.
var columns = []struct {
	table string
	names []string
}{
	{"person", []string{"id", "sign_in_name", "name", "role", "password_hash", "salt"}},
	{"job", []string{"id", "member", "title", "salt", "drawing", "plan", "machine", "tool", "material", "stock", "copies", "submitted_at"}},
	{"run", []string{"id", "number", "job", "copy", "machine", "plan", "stock", "phase", "last_event", "outcome", "ready", "operator",
		"origin_x_um", "origin_y_um", "homed", "placed_by", "placed_at", "sheet_fate", "real_ms", "stock_taken",
		"proposed_at", "phase_at", "started_at", "ended_at"}},
	{"answer", []string{"run", "item", "given", "by_person", "at"}},
	{"sign_off", []string{"digest", "run", "data", "operator", "signed_at"}},
	{"permit", []string{"digest", "run", "machine", "sign_off", "challenge", "note", "issued_at", "ended"}},
	{"burn", []string{"run", "permit", "at"}},
	{"lockout", []string{"id", "machine", "reason", "salt", "set_by", "set_at", "lifted_by", "lifted_at", "lifted_reason"}},
	{"incident", []string{"id", "kind", "machine", "run", "reported_by", "at"}},
	{"log_entry", []string{"index", "data", "at", "kind"}},
	{"log_subject", []string{"subject", "index"}},
	{"log_hash", []string{"index", "hash"}},
	{"log_signed_head", []string{"size", "note", "at"}},
}

// rows waits to be copied.
type rows struct {
	byTable map[string][][]any
	entries int
}

func (r *rows) add(table string, values ...any) {
	if r.byTable == nil {
		r.byTable = map[string][][]any{}
	}
	for i, v := range values {
		if id, ok := v.(uuid.UUID); ok {
			values[i] = [16]byte(id) // as itself it would be written out and read again
		}
	}
	r.byTable[table] = append(r.byTable[table], values)
	if table == "log_entry" {
		r.entries++
	}
}

// flush copies everything.
func (r *rows) flush(ctx context.Context, tx pgx.Tx) error {
	for _, c := range columns {
		if len(r.byTable[c.table]) == 0 {
			continue
		}
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{c.table}, c.names, pgx.CopyFromRows(r.byTable[c.table])); err != nil {
			return err
		}
		clear(r.byTable[c.table])
		r.byTable[c.table] = r.byTable[c.table][:0]
	}
	r.entries = 0
	return nil
}
