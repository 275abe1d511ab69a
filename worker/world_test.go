package worker

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"pgregory.net/rapid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// world is a whole site in one goroutine: the real store on a real database, the real core of a
// worker with its journal and a machine, a wire between them that keeps nothing it promises, and the
// model that says what must become of it.
type world struct {
	*bench
	shop    *dbtest.Workshop
	outer   *testing.T
	store   *db.Store
	model   *model
	wire    []message
	told    []byte // the newest report that was told, to be told again
	applied int64
	plans   map[canon.Digest]*plan.Plan
	saved   []byte // the profile on the worker's disk
	epoch   [16]byte
	auth    uuid.UUID
	planned map[int]db.PlanRow // by profile
	backup  *backup
	begin   *dbtest.Memory // the site with nothing in its queue
	kept    *dbtest.Memory // the newest backup

	granted   map[canon.Digest]int // go was given, in which life of the database
	lives     int
	voidHeard map[canon.Digest]bool
	lockHeard bool
	lockIndex int64
	trace     []string
}

type backup struct {
	model   *model
	applied int64
	auth    uuid.UUID
}

// message is on its way: to the worker, or taken to the server.
type message struct {
	kind  string
	note  []byte
	taken broker.Taken
}

// newWorld makes the site that all histories of one test share, one after the other.
func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{shop: dbtest.NewWorkshop(t), outer: t, plans: map[canon.Digest]*plan.Plan{}}
	w.store, w.model = w.shop.Store, &model{}
	w.planned = map[int]db.PlanRow{0: w.makePlan()}
	w.begin, w.kept = w.shop.Remember(t), w.shop.Remember(t)
	return w
}

// again is the site as it was at the beginning, with another worker at its machine.
func (w *world) again(t rapid.TB) {
	w.begin.Back(w.outer)
	w.planned = map[int]db.PlanRow{0: w.planned[0]}
	site, err := w.shop.Site(w.outer.Context())
	if err != nil {
		t.Fatal(err)
	}
	auths, err := w.shop.Authorisations(w.outer.Context(), w.shop.Operator.Person)
	if err != nil || len(auths) != 1 {
		t.Fatal(auths, err)
	}
	w.store, w.epoch, w.auth = w.shop.Store, site.Epoch, auths[0].ID
	w.model = &model{authorised: true, count: int(w.shop.Stock.Count)}
	w.wire, w.told, w.applied, w.saved, w.backup, w.trace = nil, nil, 0, nil, nil, nil
	w.granted, w.voidHeard, w.lockHeard, w.lockIndex, w.lives = map[canon.Digest]int{}, map[canon.Digest]bool{}, false, -1, 0
	w.bench = newBench(t, rules{machine: w.shop.Machine.ID, machineKey: w.shop.Machine.WorkerKey, logKeys: w.shop.LogVerify}, w)
	w.open()
}

func (w *world) say(format string, args ...any) {
	w.trace[len(w.trace)-1] += fmt.Sprintf("; "+format, args...)
}

// The bench's server.

func (w *world) greet() {
	if w.saved != nil {
		w.post(evProfile{digest: canon.Sum(w.saved), data: w.saved})
	}
}

func (w *world) prepare(a doPrepare) string {
	if p := w.plans[a.offer.Plan]; p == nil || p.Profile != a.digest || a.offer.Profile != a.digest {
		return phraseProfile
	}
	return ""
}

func (w *world) adopt(a doAdopt) {
	var p machine.Profile
	if err := canon.Unmarshal(a.data, &p); err != nil {
		w.t.Fatalf("profile: %v", err)
	}
	w.saved = a.data
	w.results = append(w.results, evAdopted{profile: p, digest: a.digest})
}

func (w *world) plan(a doRead) *plan.Plan { return w.plans[a.plan] }
func (w *world) taken(t broker.Taken)     { w.wire = append(w.wire, message{kind: "taken", taken: t}) }

// moves: I1, I2, I8 at the first line, held against what this test itself delivered.
func (w *world) moves(run uuid.UUID, p canon.Digest) {
	life, granted := w.granted[p]
	place := w.model.place(run)
	var burned bool
	if err := w.shop.Pool.QueryRow(w.outer.Context(), `SELECT EXISTS (SELECT 1 FROM burn WHERE run = $1 AND permit = $2)`, run, p[:]).Scan(&burned); err != nil {
		w.t.Fatal(err)
	}
	switch {
	case !granted:
		w.t.Fatalf("motion of run %d without a go", place)
	case life == w.lives && !burned:
		w.t.Fatalf("motion of run %d without the database's burn", place)
	case w.voidHeard[p]:
		w.t.Fatalf("motion of run %d on a permit whose void was heard", place)
	case w.lockHeard:
		w.t.Fatalf("motion of run %d on a machine whose lockout was heard", place)
	}
}

// expect holds the store's yes or no to the model's, and an answer that is neither is a fault.
func (w *world) expect(what string, may bool, err error) bool {
	var refused *db.Refused
	no := errors.As(err, &refused) || errors.Is(err, db.ErrConflict) || errors.Is(err, db.ErrNotFound) || errors.Is(err, db.ErrNotAllowed) ||
		errors.Is(err, queue.ErrMoved) || errors.Is(err, pgx.ErrNoRows)
	if may && err == nil || !may && no {
		if err != nil {
			w.say("refused: %v", err)
		}
		return err == nil
	}
	w.t.Fatalf("%s: may it happen? the model says %v, the store %v", what, may, err)
	return false
}

func (w *world) some(list []*modelRun, n int) *modelRun {
	if len(list) == 0 {
		return nil
	}
	return list[n%len(list)]
}

// run picks an open run, the active one first; now and then a closed one.
func (w *world) run(n int) *modelRun {
	var open, closed []*modelRun
	for _, r := range w.model.runs {
		switch {
		case r.active():
			open = slices.Insert(open, 0, r)
		case r.phase == "checking":
			open = append(open, r)
		case r.phase == "closed":
			closed = append(closed, r)
		}
	}
	for _, r := range w.model.runs {
		if r.phase == "proposed" {
			open = append(open, r)
		}
	}
	if n == 7 && len(closed) > 0 {
		return closed[0]
	}
	return w.some(open, n)
}

// Faults of the whole.

func (w *world) keepBackup() {
	w.backup = &backup{model: w.model.clone(), applied: w.applied, auth: w.auth}
	w.kept.Keep(w.outer)
}

// restore puts the backup in the place of the database and closes the site (I14).
func (w *world) restore() {
	if w.backup == nil {
		return
	}
	w.kept.Back(w.outer)
	w.planned = map[int]db.PlanRow{0: w.planned[0]}
	w.model, w.applied, w.auth = w.backup.model.clone(), w.backup.applied, w.backup.auth
	done, err := w.store.Restored(w.outer.Context())
	if err != nil {
		w.t.Fatalf("restore: %v", err)
	}
	w.epoch = done.Epoch
	w.lives++
	w.model.restored()
}

// accept is a person at the machine who takes the new epoch while no worker runs there.
func (w *world) accept() {
	w.disk = w.disk.Kill()
	if _, err := AcceptEpoch(w.disk, w.epoch); err != nil {
		w.t.Fatalf("accept the epoch: %v", err)
	}
	w.lockIndex = -1
	w.open()
}

// holds compares the database with the model and looks at what must always be so.
func (w *world) holds() {
	w.check()
	ctx := w.outer.Context()
	var count, reserved int
	var locked, closed bool
	var odd string
	if err := w.shop.Pool.QueryRow(ctx, `SELECT count, reserved, EXISTS (SELECT 1 FROM lockout WHERE lifted_at IS NULL),
			EXISTS (SELECT 1 FROM awaited_journal WHERE ended = ''),
			concat_ws('; ',
				(SELECT 'I3: several active runs' FROM run WHERE phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting') HAVING count(*) > 1),
				(SELECT 'I8: permitted under a lockout' FROM run r JOIN lockout l ON l.machine = r.machine AND l.lifted_at IS NULL WHERE r.phase = 'permitted' LIMIT 1),
				(SELECT 'I1: permitted without a live permit' FROM run r WHERE phase = 'permitted' AND NOT EXISTS (SELECT 1 FROM permit WHERE run = r.id AND ended = '') LIMIT 1),
				(SELECT 'I2: a burn of a permit that is not burned' FROM burn b JOIN permit p ON p.digest = b.permit WHERE p.ended <> 'burned' LIMIT 1),
				(SELECT 'a run of a withdrawn job waits' FROM run r JOIN job j ON j.id = r.job WHERE j.withdrawn_at IS NOT NULL AND r.phase IN ('proposed', 'checking', 'permitted') LIMIT 1),
				(SELECT 'answers of a run that nobody checks' FROM answer a JOIN run r ON r.id = a.run WHERE r.phase = 'proposed' LIMIT 1))
		FROM stock`).Scan(&count, &reserved, &locked, &closed, &odd); err != nil {
		w.t.Fatal(err)
	}
	if odd != "" {
		w.t.Fatalf("%s", odd)
	}
	got := []string{fmt.Sprintf("sheets %d, reserved %d, locked %v, closed %v", count, reserved, locked, closed)}
	rows, err := w.shop.Pool.Query(ctx, `SELECT id, phase, outcome, ready AND phase IN ('proposed', 'checking'),
		EXISTS (SELECT 1 FROM permit WHERE run = run.id AND ended = ''), EXISTS (SELECT 1 FROM burn WHERE run = run.id), never_moved FROM run`)
	if err != nil {
		w.t.Fatal(err)
	}
	var id uuid.UUID
	var phase, outcome string
	var ready, live, burned, never bool
	if _, err := pgx.ForEachRow(rows, []any{&id, &phase, &outcome, &ready, &live, &burned, &never}, func() error {
		got = append(got, runLine(w.model.place(id), phase, outcome, ready, live, burned, never))
		return nil
	}); err != nil {
		w.t.Fatal(err)
	}
	slices.Sort(got[1:])
	if want := w.model.lines(); !slices.Equal(got, want) {
		w.t.Fatalf("the database is not what it must be\nis   %s\nmust %s", strings.Join(got, "\n     "), strings.Join(want, "\n     "))
	}
}
