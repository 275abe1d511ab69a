package system_test

import (
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgconn"
	"golang.org/x/sys/unix"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
)

// F20: the worker's disk takes no further byte. Its journal cannot be written, so nothing moves: the
// worker is out of use, says so, and the machine is locked out until somebody has looked (I2). The limit
// on file sizes stands in the place of a full disk: it is exact to the byte, where a small file system
// has the rest of a page to give.
func TestF20_JournalDiskFull(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits for a start in real time")
	}
	s := newSite(t)
	thyme, rowan := s.as("thyme"), s.as("rowan")
	run := s.submit(thyme, square)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	if err := unix.Prlimit(s.worker.Process.Pid, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: 1, Max: 1}, nil); err != nil {
		t.Fatal(err)
	}
	code, answer, err := rowan.try("POST", "/runs/"+run+"/sign", nil, "")
	t.Logf("signing answered %d %v %.200s", code, err, answer)
	board := rowan.waits("/machines", "the machine to be locked out", 30*time.Second, func(o object) bool {
		return at(o.list("machines"), "id", s.machine.ID.String()).str("lockout.reason") != ""
	})
	if reason := at(board.list("machines"), "id", s.machine.ID.String()).str("lockout.reason"); !strings.Contains(reason, "out of use") {
		t.Errorf("locked out because of %q", reason)
	}
	select {
	case <-s.worker.Exited:
		t.Error("the worker ended")
	default:
	}
	time.Sleep(9 * time.Second) // longer than a start takes
	if n := s.edges(uuid.MustParse(run)); n != 0 || s.burned(uuid.MustParse(run)) {
		t.Errorf("%d edges, burned %v", n, s.burned(uuid.MustParse(run)))
	}
	if r := rowan.get("/runs/" + run); r.str("phase") != "proposed" && r.str("phase") != "checking" {
		t.Errorf("the run is %s", r.str("phase"))
	}
	// Room again, and a person has looked: the worker is started anew and the run goes its way.
	s.worker.Kill()
	s.startWorker()
	juniper := s.as("juniper")
	juniper.post("/machines/"+s.machine.ID.String()+"/lockout/lift", object{"reason": "the card had no room left"})
	if again := s.toTheEnd(rowan, run); again != 1 || s.edges(uuid.MustParse(run)) != 1 {
		t.Errorf("afterwards it took %d sign-offs and moved %d times", again, s.edges(uuid.MustParse(run)))
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// F21: the disk of the database is full while a run moves. Stop works; nothing is signed; when there is
// room again the run's end is told and the logbook is whole (I5, I6, I7).
func TestF21_DatabaseDiskFull(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("makes a database of its own")
	}
	dir := dbtest.Folder(t)
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=256m,mode=0711"); err != nil {
		t.Skipf("NOT TRIED: a small file system needs the right to mount, and nothing else fills Postgres's disk: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	pg, err := cluster.New(cluster.Config{Dir: filepath.Join(dir, "postgres"), Settings: map[string]string{"min_wal_size": "32MB", "max_wal_size": "64MB"}})
	if err != nil {
		t.Fatal(err)
	}
	background(t, pg.Run, pg.Ready())
	if err := migrate(t.Context(), pg); err != nil {
		t.Fatal(err)
	}
	s := newSiteOn(t, pg, cluster.Database)
	profile := s.machine.Profile
	profile.Driver.MotionScale = 1 // long enough to be stopped
	if _, err := s.store.PublishProfile(t.Context(), db.System, s.machine.ID, profile); err != nil {
		t.Fatal(err)
	}
	thyme, rowan := s.as("thyme"), s.as("rowan")
	run := s.submit(thyme, `<svg xmlns="http://www.w3.org/2000/svg" width="260mm" height="170mm" viewBox="0 0 260 170">
<rect x="1" y="1" width="258" height="168" fill="none" stroke="black"/></svg>`)
	next := s.submit(thyme, square)
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	signed := rowan.post("/runs/"+run+"/sign", nil)
	rowan.waitsForPhase(run, "running", 30*time.Second)

	ballast := filepath.Join(dir, "ballast")
	empty := s.fillDisk(ballast)
	began := time.Now()
	res, err := http.Post(signed.str("worker_url")+"/stop", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if took := time.Since(began); res.StatusCode >= 300 || took > 250*time.Millisecond {
		t.Errorf("stop answered %s after %s", res.Status, took)
	}
	waitFor(t, "the tool to be off", func() bool { return status(t, signed.str("worker_url")).at("tool_on") == false })
	if n := s.edges(uuid.MustParse(next)); n != 0 {
		t.Errorf("%d edges of a run that nobody signed", n)
	}
	empty()
	r := rowan.waits("/runs/"+run, "its end to be told", time.Minute, func(o object) bool { return o.str("outcome") != "" })
	if r.str("outcome") != "stopped" {
		t.Errorf("outcome %s", r.str("outcome"))
	}
	s.toTheEnd(rowan, run)

	// And with the disk full at the moment of the signature: none is given, nothing moves.
	toTheGate(rowan, next)
	answerAll(rowan, next, plywoodAnswers())
	operator, _, err := s.store.PersonBySignIn(t.Context(), "rowan")
	if err != nil {
		t.Fatal(err)
	}
	refused := false
	for range 12 { // the room that is left in this or that page may be enough for a signature
		empty = s.fillDisk(ballast)
		_, err := s.store.SignOff(t.Context(), db.Actor{Person: operator.ID, Role: operator.Role}, uuid.MustParse(next), [32]byte{1}, [32]byte{2})
		if refused = diskFull(err); refused {
			empty()
			break
		}
		empty()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.store.Void(t.Context(), db.System, uuid.MustParse(next), "the permit could not be sent"); err != nil {
			t.Fatal(err)
		}
		answerAll(rowan, next, plywoodAnswers())
	}
	if !refused {
		t.Fatal("every signature found room on a full disk")
	}
	var permits int
	if err := s.pool.QueryRow(t.Context(), `SELECT count(*) FROM permit WHERE run = $1 AND ended = ''`, next).Scan(&permits); err != nil || permits != 0 || s.edges(uuid.MustParse(next)) != 0 {
		t.Errorf("%d live permits, %d edges, %v", permits, s.edges(uuid.MustParse(next)), err)
	}
	if again := s.toTheEnd(rowan, next); again != 1 || s.edges(uuid.MustParse(next)) != 1 {
		t.Errorf("afterwards it took %d sign-offs and moved %d times", again, s.edges(uuid.MustParse(next)))
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// fillDisk fills the file system and whatever becomes free there, then the room that the logbook's tables
// still have in their pages, until a change is refused for want of space. empty gives the room back.
func (s *site) fillDisk(ballast string) (empty func()) {
	s.t.Helper()
	f, err := os.Create(ballast)
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	full, done := make(chan struct{}), make(chan error, 1)
	go func() { done <- keepFull(ctx, f, full) }()
	empty = sync.OnceFunc(func() {
		cancel()
		if err := errors.Join(<-done, f.Close(), os.Remove(ballast)); err != nil {
			s.t.Error(err)
		}
	})
	s.t.Cleanup(empty)
	<-full
	officer, _, err := s.store.PersonBySignIn(s.t.Context(), "juniper")
	if err != nil {
		s.t.Fatal(err)
	}
	// A stop that is noted writes into the logbook's tables alone, as every change does.
	// Refused once is not enough: rows of refused changes are pruned, which makes room for another.
	refused := 0
	for range 2000 {
		err := s.store.NoteStop(s.t.Context(), db.Actor{Person: officer.ID, Role: officer.Role}, s.machine.ID, "station")
		switch {
		case err == nil:
			refused = 0
		case diskFull(err):
			if refused++; refused == 20 {
				return empty
			}
		default:
			s.t.Fatalf("a change on a full disk: %v", err)
		}
	}
	s.t.Fatal("two thousand changes found room on a full disk")
	return nil
}

func diskFull(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.Code == "53100"
}

// keepFull writes to f until nothing fits, closes full, and goes on taking what becomes free.
func keepFull(ctx context.Context, f *os.File, full chan<- struct{}) error {
	once := sync.OnceFunc(func() { close(full) })
	defer once()
	block := make([]byte, 64<<10)
	for size := len(block); ctx.Err() == nil; {
		_, err := f.Write(block[:size])
		switch {
		case err == nil:
		case !errors.Is(err, syscall.ENOSPC):
			return err
		case size > 1:
			size /= 2
		default:
			once()
			time.Sleep(time.Millisecond)
			size = 4 << 10
		}
	}
	return nil
}
