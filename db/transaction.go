package db

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"kerfgate/db/logbook"
)

const (
	takeBackWait = 5 * time.Second
	// lookAgain is how long a commit is looked for whose answer was lost, while the database restarts.
	lookAgain = 10 * time.Second
)

const (
	// With the head comes for how long the transaction had worked when it asked for it.
	lockHead = `SELECT size, frontier, clock_timestamp(), statement_timestamp() - transaction_timestamp() FROM log_head FOR UPDATE`
	// One statement for all of a transaction: the trigger that refuses gaps looks at them together.
	insertEntries  = `INSERT INTO log_entry (index, data, at, kind) SELECT i, d, $3, k FROM unnest($1::bigint[], $2::bytea[], $4::text[]) AS e (i, d, k)`
	insertSubjects = `INSERT INTO log_subject (subject, index) SELECT * FROM unnest($1::uuid[], $2::bigint[])`
	insertHashes   = `INSERT INTO log_hash (index, hash) SELECT * FROM unnest($1::bigint[], $2::bytea[])`
	// Back comes how long it is since the head was taken.
	moveHead = `UPDATE log_head SET size = $1, frontier = $2 RETURNING clock_timestamp() - $3::timestamptz`
)

// bytes is about how much of a change goes to the database besides its entries.
func (w write) bytes() (n int) {
	for _, st := range w.statements {
		for _, arg := range st.args {
			switch arg := arg.(type) {
			case []byte:
				n += len(arg)
			case string:
				n += len(arg)
			}
		}
	}
	return n
}

// transaction writes changes and their entries, all or none, in two round trips: the statements with
// the head's lock last, then the entries with the commit. It is run once.
type transaction struct {
	*writer
	changes   []*pending
	headTaken func() // called when all locks are held and all guards have held

	// After run without error:
	last    []int64       // the index of each change's last entry
	working time.Duration // how long the database took for the statements
	waited  time.Duration // and how long it did not work while the head was held: for the disk, and for this side

	// After an error at most one of these says why.
	conflicts map[*pending]error // changes whose guards did not hold
	fault     *pending           // the change at whose statement the database raised an exception
	broken    bool               // the connection is gone, and nothing was done
	unknown   bool               // the connection is gone, and nobody knows whether it was done
}

func (t *transaction) run(ctx context.Context) error {
	conn, err := t.pool.Acquire(ctx)
	if err != nil {
		t.broken = true
		return err
	}
	defer conn.Release()
	tree, now, err := t.statements(ctx, conn)
	if err != nil {
		var unsent pgx.ErrPreprocessingBatch
		switch {
		case errors.As(err, &unsent):
			t.fault = t.with(unsent.SQL())
		case conn.Conn().IsClosed():
			t.broken = true
		}
		takeBack(conn)
		return err
	}
	t.headTaken()
	taken := time.Now()
	a := appending{tree: tree, now: now}
	for _, p := range t.changes {
		if err := a.add(p.entries); err != nil {
			t.fault = p
			takeBack(conn)
			return err
		}
		t.last = append(t.last, a.tree.Size-1)
	}
	err = a.commit(ctx, conn)
	t.waited = time.Since(taken) - a.working
	switch {
	case err == nil:
		return nil
	case !conn.Conn().IsClosed():
		takeBack(conn)
		return err
	}
	// The commit may have been made before the connection broke.
	conn.Release()
	stands, unknown := t.stands(ctx, a)
	switch {
	case unknown != nil:
		t.unknown = true
		return fmt.Errorf("%w: %w", ErrUnknown, errors.Join(err, unknown))
	case stands:
		return nil
	}
	t.broken = true
	return err
}

// statements sends all statements and takes the head's lock.
func (t *transaction) statements(ctx context.Context, conn *pgxpool.Conn) (tree logbook.Tree, now time.Time, err error) {
	before, after := []string{`BEGIN`, `SET LOCAL ` + planOnce}, []string(nil)
	if len(t.changes) > 1 {
		before = append(before, fmt.Sprintf(`SET LOCAL lock_timeout = %d`, patience.Milliseconds()))
		after = append(after, `SET LOCAL lock_timeout TO DEFAULT`) // whoever holds the head is waited for
	}
	var batch pgx.Batch
	for _, sql := range before {
		batch.Queue(sql)
	}
	for _, p := range t.changes {
		for _, st := range p.statements {
			batch.Queue(st.sql, st.args...)
		}
	}
	for _, sql := range after {
		batch.Queue(sql)
	}
	batch.Queue(lockHead)
	results := conn.SendBatch(ctx, &batch)
	defer func() {
		if closeErr := results.Close(); err == nil {
			err = closeErr
		}
	}()
	for range before {
		if _, err := results.Exec(); err != nil {
			return tree, now, err
		}
	}
	if err := t.outcomes(results); err != nil {
		return tree, now, err
	}
	for range after {
		if _, err := results.Exec(); err != nil {
			return tree, now, err
		}
	}
	var size int64
	var frontier []byte
	if err := results.QueryRow().Scan(&size, &frontier, &now, &t.working); err != nil {
		return tree, now, err
	}
	tree, err = logbook.DecodeTree(size, frontier)
	return tree, now.UTC().Truncate(time.Microsecond), err
}

// outcomes reads what the statements did. The first guard of a change that did not hold is what
// happened to it: what is raised behind that says nothing, of this change or of a later one.
func (t *transaction) outcomes(results pgx.BatchResults) error {
	var first error
	for _, p := range t.changes {
		for _, st := range p.statements {
			tag, err := results.Exec()
			switch {
			case err != nil && first != nil:
				return first
			case err != nil:
				t.fault = p
				return err
			case st.rows == anyRows || tag.RowsAffected() == st.rows || t.conflicts[p] != nil:
				continue
			}
			if t.conflicts == nil {
				t.conflicts = map[*pending]error{}
			}
			t.conflicts[p] = cmp.Or(st.conflict, ErrConflict)
			first = cmp.Or(first, t.conflicts[p])
		}
	}
	return first
}

// with is the first change that has a statement.
func (t *transaction) with(sql string) *pending {
	for _, p := range t.changes {
		if slices.ContainsFunc(p.statements, func(st statement) bool { return st.sql == sql }) {
			return p
		}
	}
	return nil
}

// takeBack ends the transaction, if one is open, so that the connection can be used again. Where
// that fails the pool throws the connection away, and the database takes the transaction back.
func takeBack(conn *pgxpool.Conn) {
	if conn.Conn().IsClosed() || conn.Conn().PgConn().TxStatus() == 'I' {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), takeBackWait)
	defer cancel()
	_, _ = conn.Exec(ctx, `ROLLBACK`)
}

// appending is the logbook's growing edge with the entries of one transaction on it.
type appending struct {
	tree     logbook.Tree
	now      time.Time
	indexes  []int64
	data     [][]byte
	kinds    []string
	subjects []uuid.UUID
	where    []int64 // the entry of each subject
	at       []int64 // where each hash is kept
	hashes   [][]byte
	working  time.Duration // after commit: how long the database took to append
}

func (a *appending) add(drafts []draft) error {
	for _, d := range drafts {
		entry := logbook.Entry{Time: a.now, Kind: d.kind, Actor: logbook.ID(d.actor.Person),
			Station: logbook.ID(d.actor.Station), Subjects: d.subjects, Body: d.body}
		data, err := entry.Encode()
		if err != nil {
			return fmt.Errorf("entry %s: %w", d.kind, err)
		}
		index, stored := a.tree.Append(data)
		a.indexes, a.data, a.kinds = append(a.indexes, index), append(a.data, data), append(a.kinds, string(d.kind))
		for _, h := range stored {
			a.at, a.hashes = append(a.at, h.Index), append(a.hashes, h.Hash[:])
		}
		first := len(a.subjects)
		for _, sub := range entry.Subjects {
			if id := uuid.UUID(sub.ID); !slices.Contains(a.subjects[first:], id) {
				a.subjects, a.where = append(a.subjects, id), append(a.where, index)
			}
		}
		if id := d.actor.Person; id != uuid.Nil && !slices.Contains(a.subjects[first:], id) {
			a.subjects, a.where = append(a.subjects, id), append(a.where, index)
		}
	}
	return nil
}

func (a *appending) commit(ctx context.Context, conn *pgxpool.Conn) error {
	var batch pgx.Batch
	batch.Queue(insertEntries, a.indexes, a.data, a.now, a.kinds)
	batch.Queue(insertSubjects, a.subjects, a.where)
	batch.Queue(insertHashes, a.at, a.hashes)
	batch.Queue(moveHead, a.tree.Size, a.tree.EncodeFrontier(), a.now).QueryRow(func(row pgx.Row) error { return row.Scan(&a.working) })
	batch.Queue(`COMMIT`)
	return conn.SendBatch(ctx, &batch).Close()
}

// stands says whether the entries are in the logbook, after a commit whose answer was lost. The
// transaction may still be under way: it holds the head until it is over.
func (t *transaction) stands(ctx context.Context, a appending) (does bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, lookAgain)
	defer cancel()
	last := len(a.indexes) - 1
	look := func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT 1 FROM log_head FOR UPDATE`); err != nil {
			return err
		}
		return tx.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM log_entry WHERE index = $1 AND data = $2)`, a.indexes[last], a.data[last]).Scan(&does)
	}
	for {
		if err = pgx.BeginFunc(ctx, t.pool, look); err == nil {
			return does, nil
		}
		select {
		case <-ctx.Done():
			return false, err
		case <-time.After(patience):
		}
	}
}
