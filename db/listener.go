package db

import (
	"context"
	"time"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
)

// ListenerCertificate is a certificate that the site's CA made for a worker's own listener.
type ListenerCertificate struct {
	Host   string // the one name or address in it
	Serial string
	Until  time.Time
	// Shared lets another machine's worker have the same host: both are on one computer.
	Shared bool
}

// KeepListener keeps where a worker's own listener is reached; no change of state, so no entry. key is
// the worker's public key; another one's word is refused. Errors: *Refused.
func (s *Store) KeepListener(ctx context.Context, machine uuid.UUID, key, address string) error {
	tag, err := s.pool.Exec(ctx, `UPDATE machine SET worker_url = $3 WHERE id = $1 AND worker_key = $2 AND worker_key <> ''`, machine, key, address)
	if err == nil && tag.RowsAffected() == 0 {
		err = errNotThisWorker
	}
	return err
}

var errNotThisWorker = refuse("that is not the worker that is enrolled for this machine", "enrol the worker anew with a code")

// KeepListenerCertificate keeps where a worker's own listener is reached and the certificate that it
// answers there with. A name or address that another machine's worker has a certificate for that still
// holds is refused. Errors: *Refused.
func (s *Store) KeepListenerCertificate(ctx context.Context, machine uuid.UUID, key, address string, c ListenerCertificate) error {
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{
				{sql: `UPDATE machine SET worker_url = $3 WHERE id = $1 AND worker_key = $2 AND worker_key <> ''`,
					args: []any{machine, key, address}, rows: 1, conflict: errNotThisWorker},
				{sql: `INSERT INTO listener_certificate (machine, host, serial, until)
						SELECT $1, $2, $3, $4 WHERE $5 OR NOT EXISTS
							(SELECT FROM listener_certificate WHERE host = $2 AND machine <> $1 AND until > now())
					ON CONFLICT (machine) DO UPDATE SET host = excluded.host, serial = excluded.serial, until = excluded.until`,
					args: []any{machine, c.Host, c.Serial, c.Until, c.Shared}, rows: 1,
					conflict: refuse("another machine's worker has a certificate for "+c.Host, "give this one a name or an address of its own with --host")},
			},
			entries: []draft{{kind: logbook.WorkerCertified, subjects: []logbook.Subject{about(logbook.RoleMachine, machine)},
				body: logbook.Body{"host": c.Host, "serial": c.Serial, "until": c.Until.UTC().Format(time.RFC3339)}}},
		}, nil
	})
	return err
}
