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
	{"person", []string{"id", "sign_in_name", "name", "role", "password_hash", "salt", "added_at"}},
	{"authorisation", []string{"id", "person", "machine", "granted_at", "expires_at", "granted_by", "evidence", "idle_months", "groups", "used_at"}},
	{"station", []string{"id", "machine", "name", "salt", "token_hash", "enrolled_at"}},
	{"pair", []string{"id", "label", "marking", "looked_at", "looked_by"}},
	{"session", []string{"id", "token_hash", "person", "kind", "created_at", "used_at", "expires_at", "ended_at"}},
	{"stock", []string{"id", "material", "lot", "colour", "thickness_um", "tolerance_um", "grammage_g_per_m2", "sheet_width_um", "sheet_height_um", "count", "reserved", "rev"}},
	{"stock_change", []string{"stock", "rev", "at", "by_person", "what", "count", "reason", "salt"}},
	{"blob", []string{"digest", "size"}},
	{"blob_chunk", []string{"digest", "n", "data"}},
	{"drawing", []string{"id", "digest", "member", "file_name", "salt", "received_at"}},
	{"plan", []string{"digest", "member", "drawing", "machine", "tool", "material", "stock", "choice", "profile", "total_ms", "made_at", "chosen_at",
		"hot_spots", "cut_um", "mark_um", "engrave_um", "settings", "width_um", "height_um"}},
	{"job_set", []string{"id", "member", "name", "salt", "made_at"}},
	{"job", []string{"id", "member", "title", "salt", "drawing", "plan", "machine", "tool", "material", "stock", "copies", "submitted_at", "set_id"}},
	{"run", []string{"id", "number", "job", "copy", "member", "machine", "tool", "plan", "stock", "material", "phase", "last_event", "outcome", "ready", "operator",
		"origin_x_um", "origin_y_um", "homed", "placed_by", "placed_at", "sheet_fate", "real_ms", "taps", "misses", "stock_taken",
		"proposed_at", "taken_up_at", "phase_at", "started_at", "ended_at"}},
	{"queue_call", []string{"run", "by_person", "at", "came_at"}},
	{"queue_take", []string{"run", "by_person", "at", "reason", "salt"}},
	{"answer", []string{"run", "item", "given", "by_person", "at"}},
	{"sign_off", []string{"digest", "run", "data", "operator", "signed_at"}},
	{"permit", []string{"digest", "run", "machine", "sign_off", "challenge", "note", "issued_at", "ended"}},
	{"burn", []string{"run", "permit", "at"}},
	{"watch", []string{"id", "machine", "run", "watcher", "opened_at", "until", "seen_at", "closed_at"}},
	{"watch_look", []string{"watch", "at", "by_person", "saw"}},
	{"lockout", []string{"id", "machine", "reason", "salt", "set_by", "set_at", "lifted_by", "lifted_at", "lifted_reason"}},
	{"incident", []string{"id", "kind", "machine", "run", "reported_by", "at", "happened_at", "what", "severity", "potential", "salt", "closed_at", "closed_by", "closing", "rev"}},
	{"incident_note", []string{"id", "incident", "about", "text", "by_person", "at"}},
	{"follow_up", []string{"id", "incident", "what", "remedy", "owner", "due", "done_at", "done_by", "result"}},
	{"upkeep_task", []string{"id", "machine", "what", "days", "hours", "runs", "critical", "since", "rev"}},
	{"upkeep_done", []string{"id", "task", "by_person", "at", "note"}},
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
