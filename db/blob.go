package db

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/plan/canon"
)

// chunkSize is how large files are cut: one row a chunk, so that nothing large is ever one value.
const chunkSize = 1 << 20

// putBlob queues the statements that store data by its digest, once.
func putBlob(data []byte) (canon.Digest, []statement) {
	digest := canon.Sum(data)
	statements := []statement{{sql: `INSERT INTO blob (digest, size) VALUES ($1, $2) ON CONFLICT DO NOTHING`,
		args: []any{digest[:], int64(len(data))}, rows: anyRows}}
	for n := 0; n == 0 || n*chunkSize < len(data); n++ {
		chunk := data[n*chunkSize : min((n+1)*chunkSize, len(data))]
		statements = append(statements, statement{sql: `INSERT INTO blob_chunk (digest, n, data) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING`,
			args: []any{digest[:], n, chunk}, rows: anyRows})
	}
	return digest, statements
}

// blob reads a whole file back and checks it against its digest. Errors: ErrNotFound, ErrAltered.
func (s *Store) blob(ctx context.Context, digest canon.Digest) ([]byte, error) {
	var data []byte
	var reads pgx.Batch
	readBlob(&reads, digest, &data)
	return data, s.read(ctx, &reads)
}

func readBlob(b *pgx.Batch, digest canon.Digest, data *[]byte) {
	b.Queue(`SELECT b.size, c.data FROM blob b LEFT JOIN blob_chunk c ON c.digest = b.digest WHERE b.digest = $1 ORDER BY c.n`, digest[:]).Query(func(rows pgx.Rows) error {
		var size int64
		var chunk []byte
		*data = nil
		tag, err := pgx.ForEachRow(rows, []any{&size, &chunk}, func() error {
			if *data == nil {
				*data = make([]byte, 0, size)
			}
			*data = append(*data, chunk...)
			return nil
		})
		switch {
		case err != nil:
			return err
		case tag.RowsAffected() == 0:
			return ErrNotFound
		case canon.Sum(*data) != digest:
			return fmt.Errorf("%w: %s reads as %s", ErrAltered, digest, canon.Sum(*data))
		}
		return nil
	})
}

// PlanChunk reads at most length bytes of a plan from offset, for the machine that has a run of it;
// an empty slice past its end. The worker hashes what it gets, so an altered plan is found there.
// Errors: ErrNotFound.
func (s *Store) PlanChunk(ctx context.Context, machine uuid.UUID, digest canon.Digest, offset, length int64) ([]byte, error) {
	var data []byte
	err := s.pool.QueryRow(ctx, `SELECT coalesce(substring(c.data FROM $4::int + 1 FOR $5::int), '')
		FROM blob b LEFT JOIN blob_chunk c ON c.digest = b.digest AND c.n = $3
		WHERE b.digest = $2 AND EXISTS (SELECT 1 FROM run WHERE machine = $1 AND plan = $2 AND phase <> 'closed')`,
		machine, digest[:], offset/chunkSize, offset%chunkSize, min(length, chunkSize)).Scan(&data)
	return data, meaning(err)
}
