package db

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
)

// Room is the room around a machine. Zero values: nobody knows.
type Room struct {
	M3          int64
	FreshM3PerH int64 // outside air that comes in and goes out; what goes through a filter and back counts as none
}

// MachineRoom reads the room of a machine. Errors: ErrNotFound.
func (s *Store) MachineRoom(ctx context.Context, machine uuid.UUID) (r Room, err error) {
	err = s.pool.QueryRow(ctx, `SELECT room_m3, fresh_m3_per_h FROM machine WHERE id = $1`, machine).Scan(&r.M3, &r.FreshM3PerH)
	return r, meaning(err)
}

// MeasureRoom keeps how large the room of a machine is and how much outside air it gets. Errors: ErrNotFound,
// *Refused.
func (s *Store) MeasureRoom(ctx context.Context, actor Actor, machine uuid.UUID, r Room) error {
	if r.M3 < 0 || r.M3 > 100_000 || r.FreshM3PerH < 0 || r.FreshM3PerH > 1_000_000 {
		return refuse("a room has up to 100000 m³ and gets up to 1000000 m³/h", "measure length, width and height; 0 stands for what nobody knows")
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `UPDATE machine SET room_m3 = $2, fresh_m3_per_h = $3 WHERE id = $1`, args: []any{machine, r.M3, r.FreshM3PerH}, rows: 1, conflict: ErrNotFound}},
			entries: []draft{{kind: logbook.RoomMeasured, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, machine)},
				body: logbook.Body{"room_m3": r.M3, "fresh_m3_per_h": r.FreshM3PerH}}},
		}, nil
	})
	return err
}
