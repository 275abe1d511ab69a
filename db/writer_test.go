package db_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
)

// tallyKind is the kind of the entries of these tests; any would do.
const tallyKind = logbook.WorkerSeen

// tally is a store with a table of counters, 0 to 63, that changes count up.
type tally struct {
	*dbtest.Env
	t *testing.T
}

func newTally(t *testing.T) tally {
	t.Helper()
	e := dbtest.New(t)
	conn, err := pgx.Connect(t.Context(), e.URL(cluster.Supervisor))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	y := tally{e, t}
	y.tables(conn)
	return y
}

func (y tally) tables(super *pgx.Conn) {
	y.t.Helper()
	if _, err := super.Exec(y.t.Context(), `CREATE TABLE tally (id int PRIMARY KEY, n bigint NOT NULL DEFAULT 0 CHECK (n < 1000000));
		CREATE TABLE trace (at bigint GENERATED ALWAYS AS IDENTITY, who int NOT NULL);
		INSERT INTO tally SELECT generate_series(0, 63); GRANT ALL ON tally, trace TO kerfgate_app; GRANT USAGE ON SEQUENCE trace_at_seq TO kerfgate_app`); err != nil {
		y.t.Fatal(err)
	}
}

// count is a change that counts one up and leaves a trace before it does, so that half of it would show.
func count(id int) []db.Step {
	return []db.Step{
		{SQL: `INSERT INTO trace (who) VALUES ($1)`, Args: []any{id}, Rows: 1},
		{SQL: `UPDATE tally SET n = n + 1 WHERE id = $1`, Args: []any{id}, Rows: 1},
	}
}

func (y tally) change(ctx context.Context, steps ...db.Step) (int64, error) {
	return y.Change(ctx, tallyKind, func(context.Context) ([]db.Step, error) { return steps, nil })
}

// value is what a counter stands at, and how often it left a trace.
func (y tally) value(id int) (n, traces int64) {
	y.t.Helper()
	if err := y.Pool.QueryRow(y.t.Context(), `SELECT n, (SELECT count(*) FROM trace WHERE who = id) FROM tally WHERE id = $1`, id).Scan(&n, &traces); err != nil {
		y.t.Fatal(err)
	}
	return n, traces
}

func (y tally) size() int64 {
	y.t.Helper()
	var n int64
	if err := y.Pool.QueryRow(y.t.Context(), `SELECT size FROM log_head`).Scan(&n); err != nil {
		y.t.Fatal(err)
	}
	return n
}

// together makes changes at once and returns each one's index and error.
func (y tally) together(n int, change func(i int) (int64, error)) ([]int64, []error) {
	y.t.Helper()
	indexes, errs := make([]int64, n), make([]error, n)
	var wait sync.WaitGroup
	for i := range n {
		wait.Go(func() { indexes[i], errs[i] = change(i) })
	}
	wait.Wait()
	return indexes, errs
}

// transactions is how many different ones wrote the entries from an index on.
func (y tally) transactions(from int64) (n int) {
	y.t.Helper()
	if err := y.Pool.QueryRow(y.t.Context(), `SELECT count(DISTINCT xmin::text) FROM log_entry WHERE index >= $1`, from).Scan(&n); err != nil {
		y.t.Fatal(err)
	}
	return n
}

// One change among 32 that came at once goes wrong in every way that a change may: the others are made,
// each once, and it alone gets its own error and leaves nothing behind (I6).
func TestWriterPoison(t *testing.T) {
	t.Parallel()
	errMine := errors.New("mine alone")
	for name, c := range map[string]struct {
		poison []db.Step
		is     func(error) bool
	}{
		"conflict": {append(count(7), db.Step{SQL: `UPDATE tally SET n = n WHERE id = -1`, Rows: 1}),
			func(err error) bool { return errors.Is(err, db.ErrConflict) }},
		"named conflict": {append(count(7), db.Step{SQL: `UPDATE tally SET n = n WHERE id = -1`, Rows: 1, Conflict: errMine}),
			func(err error) bool { return errors.Is(err, errMine) }},
		"constraint": {append(count(7), db.Step{SQL: `UPDATE tally SET n = 1000000 WHERE id = 7`, Rows: 1}), code("23514")},
		"exception":  {append(count(7), db.Step{SQL: `SELECT 1 / (n - n) FROM tally WHERE id = 7`, Rows: 1}), code("22012")},
		"not SQL":    {append(count(7), db.Step{SQL: `no such statement`, Rows: 1}), code("42601")},
		"not encodable": {append(count(7), db.Step{SQL: `UPDATE tally SET n = $1 WHERE id = 7`, Args: []any{make(chan int)}, Rows: 1}),
			func(err error) bool { return err != nil }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			y := newTally(t)
			before := y.size()
			_, errs := y.together(32, func(i int) (int64, error) {
				if i == 7 {
					return y.change(t.Context(), c.poison...)
				}
				return y.change(t.Context(), count(i)...)
			})
			for i, err := range errs {
				want := int64(1)
				if i == 7 {
					want = 0
					if !c.is(err) {
						t.Errorf("the change that went wrong got %v", err)
					}
				} else if err != nil {
					t.Errorf("change %d: %v", i, err)
				}
				if n, traces := y.value(i); n != want || traces != want {
					t.Errorf("counter %d stands at %d with %d traces, want %d", i, n, traces, want)
				}
			}
			if after := y.size(); after != before+31 {
				t.Errorf("%d entries for 31 changes", after-before)
			}
			if n := y.transactions(before); n > 16 {
				t.Errorf("31 changes at once took %d transactions", n)
			}
			if _, err := y.CheckLog(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

func code(want string) func(error) bool {
	return func(err error) bool {
		var pg *pgconn.PgError
		return errors.As(err, &pg) && pg.Code == want
	}
}

// A change whose entry the database refuses fails by itself: 31 others do not.
func TestWriterEntryRefused(t *testing.T) {
	t.Parallel()
	y := newTally(t)
	conn, err := pgx.Connect(t.Context(), y.URL(cluster.Supervisor))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), `ALTER TABLE log_entry ADD CONSTRAINT not_this CHECK (kind <> 'run.ready')`); err != nil {
		t.Fatal(err)
	}
	_, errs := y.together(32, func(i int) (int64, error) {
		if i == 7 {
			return y.Change(t.Context(), logbook.RunReady, func(context.Context) ([]db.Step, error) { return count(i), nil })
		}
		return y.change(t.Context(), count(i)...)
	})
	for i, err := range errs {
		n, traces := y.value(i)
		if i == 7 {
			if !code("23514")(err) || n != 0 || traces != 0 {
				t.Errorf("the entry that the database refuses: %v, counter at %d", err, n)
			}
		} else if err != nil || n != 1 || traces != 1 {
			t.Errorf("change %d: %v, counter at %d", i, err, n)
		}
	}
}

// Whoever gives up in the queue has changed nothing; whoever shares a transaction by then is told what
// became of it, and the others never notice (I6).
func TestWriterCancelled(t *testing.T) {
	t.Parallel()
	y := newTally(t)
	before := y.size()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	_, errs := y.together(32, func(i int) (int64, error) {
		if i%2 == 1 {
			if i == 1 {
				cancel()
			}
			return y.change(ctx, count(i)...)
		}
		return y.change(t.Context(), count(i)...)
	})
	var made int64
	for i, err := range errs {
		n, traces := y.value(i)
		switch {
		case err == nil && (n != 1 || traces != 1):
			t.Errorf("change %d is said to be made, and its counter stands at %d", i, n)
		case err != nil && (n != 0 || traces != 0):
			t.Errorf("change %d is said to be %v, and its counter stands at %d", i, err, n)
		case err != nil && (i%2 == 0 || !errors.Is(err, context.Canceled)):
			t.Errorf("change %d: %v", i, err)
		}
		made += n
	}
	if after := y.size(); after != before+made {
		t.Errorf("%d entries for %d changes", after-before, made)
	}
	// A change alone that waits for a row gives up with its caller, and frees the way.
	tx, err := y.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(t.Context())) }()
	if _, err := tx.Exec(t.Context(), `SELECT 1 FROM tally WHERE id = 40 FOR UPDATE`); err != nil {
		t.Fatal(err)
	}
	short, end := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer end()
	if _, err := y.change(short, count(40)...); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a change that waits longer than its caller: %v", err)
	}
}

// A row that somebody else holds holds up the one change that needs it, and no other.
func TestWriterHeldRow(t *testing.T) {
	t.Parallel()
	y := newTally(t)
	tx, err := y.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(t.Context())) }()
	if _, err := tx.Exec(t.Context(), `SELECT 1 FROM tally WHERE id = 7 FOR UPDATE`); err != nil {
		t.Fatal(err)
	}
	var held, others sync.WaitGroup
	for i := range 32 {
		group := &others
		if i == 7 {
			group = &held
		}
		group.Go(func() {
			if _, err := y.change(t.Context(), count(i)...); err != nil {
				t.Errorf("change %d: %v", i, err)
			}
		})
	}
	others.Wait() // would wait for ever
	if n, _ := y.value(7); n != 0 {
		t.Error("the row was not held")
	}
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	held.Wait()
	if n, traces := y.value(7); n != 1 || traces != 1 {
		t.Errorf("the change that waited: %d, %d", n, traces)
	}
}

// Indexes are given in the order in which changes are committed: whoever begins after another was
// answered has a greater one, and each caller's index is that of its own entry.
func TestWriterOrder(t *testing.T) {
	t.Parallel()
	y := newTally(t)
	var mu sync.Mutex
	seen := map[int64]bool{}
	var newest int64
	_, errs := y.together(16, func(i int) (int64, error) {
		for range 40 {
			mu.Lock()
			after := newest
			mu.Unlock()
			index, err := y.change(t.Context(), count(i)...)
			if err != nil {
				return 0, err
			}
			mu.Lock()
			if index <= after || seen[index] {
				t.Errorf("index %d came after %d was answered, twice: %v", index, after, seen[index])
			}
			seen[index], newest = true, max(newest, index)
			mu.Unlock()
		}
		return 0, nil
	})
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	if len(seen) != 16*40 {
		t.Errorf("%d indexes for %d changes", len(seen), 16*40)
	}
}

// A connection that breaks under a batch costs nobody anything: before the commit was sent nothing was
// done, and it is done on another connection, once.
func TestWriterBrokenConnection(t *testing.T) {
	t.Parallel()
	y := newTally(t)
	before := y.size()
	super, err := pgx.Connect(t.Context(), y.URL(cluster.Supervisor))
	if err != nil {
		t.Fatal(err)
	}
	defer super.Close(t.Context())
	// The head is held, so that the batch waits where it can be found.
	tx, err := super.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `SELECT 1 FROM log_head FOR UPDATE`); err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	errs := make([]error, 32)
	for i := range errs {
		wait.Go(func() { _, errs[i] = y.change(t.Context(), count(i)...) })
	}
	for killed := false; !killed; {
		if err := tx.QueryRow(t.Context(), `SELECT coalesce(bool_or(pg_terminate_backend(pid)), false) FROM pg_stat_activity, pg_sleep(0.005)
			WHERE datname = current_database() AND wait_event_type = 'Lock'`).Scan(&killed); err != nil {
			t.Fatal(err)
		}
	}
	if err := tx.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	wait.Wait()
	for i, err := range errs {
		if n, traces := y.value(i); err != nil || n != 1 || traces != 1 {
			t.Errorf("change %d: %v, %d times with %d traces", i, err, n, traces)
		}
	}
	if after := y.size(); after != before+32 {
		t.Errorf("%d entries for 32 changes", after-before)
	}
}

// Two stores on one database, as two servers: no deadlock reaches anybody, though their batches lock
// the same rows in every order.
func TestWriterTwoServers(t *testing.T) {
	t.Parallel()
	y := newTally(t)
	pool, err := pgxpool.New(t.Context(), y.URL(cluster.App))
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	cfg := y.Config
	cfg.Pool = pool
	other, err := db.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	_, errs := y.together(16, func(i int) (int64, error) {
		store := []*db.Store{y.Store, other}[i%2]
		for n := range 30 {
			id := (i*7 + n*(1+i%3)) % 5
			steps := slices.Concat(count(id), count(4-id))
			if _, err := store.Change(t.Context(), tallyKind, func(context.Context) ([]db.Step, error) { return steps, nil }); err != nil {
				return 0, fmt.Errorf("caller %d: %w", i, err)
			}
		}
		return 0, nil
	})
	if err := errors.Join(errs...); err != nil {
		t.Error(err)
	}
	var sum int64
	if err := y.Pool.QueryRow(t.Context(), `SELECT sum(n) FROM tally`).Scan(&sum); err != nil || sum != 16*30*2 {
		t.Errorf("%d counted (%v), want %d", sum, err, 16*30*2)
	}
	if _, err := y.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}
