package system_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/deploy/keyring"
)

// F8: the server is killed while its permit transaction waits at each of its statements in turn. What is
// there afterwards is the whole change or nothing of it: a permit exists exactly where its entry does (I6).
func TestF8_KilledInThePermitTransaction(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("kills eight servers")
	}
	s := newSite(t)
	thyme, rowan := s.as("thyme"), s.as("rowan")
	run := s.submit(thyme, square)
	id := uuid.MustParse(run)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	ctx := t.Context()
	holder, err := pgx.Connect(ctx, s.pg.URL(cluster.Supervisor, s.database))
	if err != nil {
		t.Fatal(err)
	}
	defer holder.Close(ctx)
	for _, table := range []string{"stock", "sign_off", "permit", "run", "log_head", "log_entry", "log_subject", "log_hash"} {
		// EXCLUSIVE lets the reads of the decision pass and holds up locks and writes of the transaction.
		if _, err := holder.Exec(ctx, `BEGIN; LOCK TABLE `+table+` IN EXCLUSIVE MODE`); err != nil {
			t.Fatal(err)
		}
		signed := make(chan string, 1)
		go func() {
			status, _, err := rowan.try("POST", "/runs/"+run+"/sign", nil, "")
			signed <- fmt.Sprint(status, err)
		}()
		waitFor(t, "the transaction to wait at "+table, func() bool {
			var waits bool
			if err := holder.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM pg_locks WHERE NOT granted AND relation = $1::regclass)`, table).Scan(&waits); err != nil {
				t.Fatal(err)
			}
			return waits
		})
		s.server.Kill()
		if _, err := holder.Exec(ctx, `ROLLBACK`); err != nil {
			t.Fatal(err)
		}
		t.Logf("killed at %s; signing answered %s", table, <-signed)
		waitFor(t, "the dead server's sessions to end", func() bool {
			var n int
			if err := holder.QueryRow(ctx, `SELECT count(*) FROM pg_stat_activity WHERE datname = $1 AND state <> 'idle' AND pid <> pg_backend_pid()`, s.database).Scan(&n); err != nil {
				t.Fatal(err)
			}
			return n == 0
		})
		var live, ever, permitted int
		if err := s.pool.QueryRow(ctx, `SELECT count(*) FILTER (WHERE ended = ''), count(*), (SELECT count(*) FROM run WHERE id = $1 AND phase = 'permitted') FROM permit WHERE run = $1`,
			id).Scan(&live, &ever, &permitted); err != nil {
			t.Fatal(err)
		}
		if entries := len(s.entries("run.signed", id)); entries != ever || live != permitted {
			t.Errorf("killed at %s: %d permits for %d entries; %d live, %d permitted", table, ever, entries, live, permitted)
		}
		if _, err := s.store.CheckLog(ctx); err != nil {
			t.Errorf("killed at %s: %v", table, err)
		}
		s.startServer()
		rowan = s.as("rowan")
		if permitted == 1 { // it was committed after all: what was never sent is taken back
			if _, err := s.store.Void(ctx, db.System, id, "the permit could not be sent"); err != nil {
				t.Fatal(err)
			}
		}
		rowan.waits("/runs/"+run, "the gate", 30*time.Second, func(o object) bool { return o.str("phase") == "checking" && o.at("ready") == true })
		answerAll(rowan, run, plywoodAnswers())
	}
	if again := s.toTheEnd(rowan, run); again != 1 || s.edges(id) != 1 {
		t.Errorf("afterwards it took %d sign-offs and moved %d times", again, s.edges(id))
	}
}

func waitFor(t *testing.T, what string, holds func() bool) {
	t.Helper()
	deadline := time.Now().Add(30 * time.Second)
	for !holds() {
		if time.Now().After(deadline) {
			t.Fatalf("waited half a minute for %s", what)
		}
		time.Sleep(20 * time.Millisecond) // what is waited for happens in another process
	}
}

// F10: Postgres is told to end, politely and at once, while eight clients change things. Whatever was
// acknowledged is there when it is back, once, and the logbook is whole (I6, I7).
func TestF10_PostgresRestarts(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("makes a database of its own")
	}
	dir := dbtest.Folder(t)
	keys, err := keyring.Open(filepath.Join(dir, "keys"), "garden")
	if err != nil {
		t.Fatal(err)
	}
	var store atomic.Pointer[db.Store]
	start := func() (stop func()) {
		pg, err := cluster.New(cluster.Config{Dir: filepath.Join(dir, "postgres")})
		if err != nil {
			t.Fatal(err)
		}
		stop = background(t, pg.Run, pg.Ready())
		if err := migrate(t.Context(), pg); err != nil {
			t.Fatal(err)
		}
		pool, err := pgxpool.New(t.Context(), pg.URL(cluster.App, cluster.Database))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(pool.Close)
		made, err := keys.Store(pool, nil)
		if err != nil {
			t.Fatal(err)
		}
		store.Store(made)
		return stop
	}
	stop := start()
	if _, err := store.Load().OpenSite(t.Context(), db.Site{Name: "garden", Kind: db.SiteWorkshop, FireEdition: checklist.EditionOSHA}); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	acked := map[string]int{}
	var tries atomic.Int64
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var clients sync.WaitGroup
	for client := range 8 {
		clients.Go(func() {
			for n := 0; ctx.Err() == nil; n++ {
				name := fmt.Sprintf("member-%d-%d", client, n)
				for ctx.Err() == nil { // a client tries again until it is told yes
					tries.Add(1)
					_, err := store.Load().AddPerson(ctx, db.System, db.NewPerson{SignInName: name, Name: "Member of the garden", Role: db.RoleMember, PasswordHash: "none"})
					if err == nil || errors.Is(err, db.ErrSignInTaken) { // taken: by its own earlier try, whose answer was lost
						mu.Lock()
						acked[name]++
						mu.Unlock()
						break
					}
					time.Sleep(10 * time.Millisecond)
				}
			}
		})
	}
	count := func() int { mu.Lock(); defer mu.Unlock(); return len(acked) }
	for _, how := range []syscall.Signal{syscall.SIGQUIT, syscall.SIGINT, syscall.SIGQUIT} {
		before := count()
		waitFor(t, "load", func() bool { return count() > before+100 })
		if err := syscall.Kill(postmaster(t, filepath.Join(dir, "postgres")), how); err != nil {
			t.Fatal(err)
		}
		stop() // it has ended by itself; this waits for that
		stop = start()
	}
	before := count()
	waitFor(t, "load after the restarts", func() bool { return count() > before+100 })
	cancel()
	clients.Wait()
	s := store.Load()
	for name := range acked {
		if _, _, err := s.PersonBySignIn(t.Context(), name); err != nil {
			t.Errorf("%s was acknowledged: %v", name, err)
		}
	}
	if _, err := s.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
	t.Logf("%d changes acknowledged in %d tries over three restarts", len(acked), tries.Load())
}

// postmaster is the process that the test's own cluster in dir started.
func postmaster(t *testing.T, dir string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(strings.SplitN(string(text), "\n", 2)[0])
	if err != nil || pid < 2 {
		t.Fatalf("postmaster.pid: %v", err)
	}
	return pid
}
