package db

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/tlog"

	"kerfgate/db/logbook"
	"kerfgate/queue/broker"
)

// LogFilter picks entries, newest first.
type LogFilter struct {
	Before  int64 // only entries with a smaller index; −1 from the newest
	Limit   int
	Kind    string    // a kind or its first word, "run" for all run kinds; empty for all
	Subject uuid.UUID // person, machine, run, job …; zero for all
}

// LogEntry is one entry with what people need to read it: names are looked up, never logged.
type LogEntry struct {
	Index       int64
	Entry       logbook.Entry
	Raw         []byte
	ActorName   string
	Number      int64 // of the run; 0 where there is none
	MachineName string
	Title       string    // of the job
	Owner       uuid.UUID // the job's member
}

// LogPage is a page of the logbook.
type LogPage struct {
	Entries []LogEntry
	// Next is Before of the next page; 0 at the end. A page that was sought by kind and subject may hold few
	// entries, or none, and still have a next one: it looks at a few thousand entries about the subject at most.
	Next int64
}

// LogEntries are the entries of one page; see LogPage.
func (s *Store) LogEntries(ctx context.Context, f LogFilter) ([]LogEntry, error) {
	page, err := s.LogPage(ctx, f)
	return page.Entries, err
}

// LogPage reads a page of entries, newest first, in a number of queries that depends on the filter alone.
func (s *Store) LogPage(ctx context.Context, f LogFilter) (page LogPage, err error) {
	if f.Before < 0 {
		f.Before = 1 << 62
	}
	// What is wanted is found first, by indexes alone, and read afterwards: joined in one statement, the
	// database may find it shorter to walk through the log.
	var newest []int64
	switch {
	case f.Subject != uuid.Nil && f.Kind != "":
		newest, page.Next, err = s.newestOfBoth(ctx, f)
	case f.Subject != uuid.Nil:
		newest, err = s.indexes(ctx, `SELECT index FROM log_subject WHERE subject = $1 AND index < $2 ORDER BY index DESC LIMIT $3`, f.Subject, f.Before, f.Limit)
	case f.Kind != "":
		newest, err = s.indexes(ctx, ofKinds+` ORDER BY n.index DESC LIMIT $3`, kindsNamed(f.Kind), f.Before, f.Limit)
	default:
		page.Entries, err = s.readEntries(ctx, `SELECT index, data FROM log_entry WHERE index < $1 ORDER BY index DESC LIMIT $2`, f.Before, f.Limit)
	}
	if err == nil && len(newest) > 0 {
		page.Entries, err = s.readEntries(ctx, `SELECT index, data FROM log_entry WHERE index = ANY($1) ORDER BY index DESC`, newest)
	}
	if n := len(page.Entries); n > 0 && n == f.Limit {
		page.Next = page.Entries[n-1].Index
	}
	return page, err
}

// ofKinds are the newest entries of each of several kinds. The comparison of rows leaves the database the
// index of kinds and no other way, which for a kind that is rare would be a walk through the log.
const ofKinds = `SELECT n.index FROM unnest($1::text[]) k (kind) CROSS JOIN LATERAL (
		SELECT index FROM log_entry WHERE (kind, index) < (k.kind, $2) AND (kind, index) >= (k.kind, 0)
		ORDER BY kind DESC, index DESC LIMIT $3) n`

// sought is how many entries a page looks at for those of a kind about a subject: all of the kind where it
// has no more, else the newest about the subject. No index knows both, since few ask for both.
const sought = 3_000

// newestOfBoth finds entries of a kind about a subject, and where to go on: 0 where no more are left.
func (s *Store) newestOfBoth(ctx context.Context, f LogFilter) (found []int64, next int64, err error) {
	kinds := kindsNamed(f.Kind)
	few, err := s.indexes(ctx, ofKinds+` LIMIT $3`, kinds, f.Before, sought)
	if err != nil {
		return nil, 0, err
	}
	// OFFSET 0 keeps the inner query by itself, so that each one is looked up in turn.
	if len(few) < sought {
		found, err = s.indexes(ctx, `SELECT n.index FROM unnest($2::bigint[]) n (index)
			CROSS JOIN LATERAL (SELECT 1 FROM log_subject WHERE subject = $1 AND index = n.index OFFSET 0) s ORDER BY n.index DESC LIMIT $3`, f.Subject, few, f.Limit)
		return found, 0, err
	}
	window, err := s.indexes(ctx, `SELECT index FROM log_subject WHERE subject = $1 AND index < $2 ORDER BY index DESC LIMIT $3`, f.Subject, f.Before, sought)
	if err != nil {
		return nil, 0, err
	}
	if len(window) == sought {
		next = window[sought-1]
	}
	found, err = s.indexes(ctx, `SELECT n.index FROM unnest($1::bigint[]) n (index)
		CROSS JOIN LATERAL (SELECT 1 FROM log_entry WHERE index = n.index AND kind = ANY($2) OFFSET 0) e ORDER BY n.index DESC LIMIT $3`, window, kinds, f.Limit)
	return found, next, err
}

func (s *Store) indexes(ctx context.Context, sql string, args ...any) ([]int64, error) {
	return readAll(ctx, s.pool, pgx.RowTo[int64], sql, args...)
}

// kindsNamed are the kinds that a filter means: the one that it names, and those that begin with it as
// their first word.
func kindsNamed(name string) []string {
	kinds := []string{name}
	for _, k := range logbook.Kinds() {
		if strings.HasPrefix(string(k), name+".") {
			kinds = append(kinds, string(k))
		}
	}
	return kinds
}

// LogFrom lists entries from an index on, ascending.
func (s *Store) LogFrom(ctx context.Context, index int64, limit int) ([]LogEntry, error) {
	return s.readEntries(ctx, `SELECT index, data FROM log_entry WHERE index >= $1 ORDER BY index LIMIT $2`, index, limit)
}

func (s *Store) readEntries(ctx context.Context, sql string, args ...any) ([]LogEntry, error) {
	list, err := readAll(ctx, s.pool, func(row pgx.CollectableRow) (e LogEntry, err error) {
		if err = row.Scan(&e.Index, &e.Raw); err != nil {
			return e, err
		}
		if e.Entry, err = logbook.Decode(e.Raw); err != nil {
			err = fmt.Errorf("entry %d: %w", e.Index, err)
		}
		return e, err
	}, sql, args...)
	if err != nil || len(list) == 0 {
		return list, err
	}
	return list, s.nameEntries(ctx, list)
}

func (s *Store) nameEntries(ctx context.Context, list []LogEntry) error {
	var people, machines, runs, jobs []uuid.UUID
	for _, e := range list {
		people = append(people, uuid.UUID(e.Entry.Actor))
		for role, ids := range map[string]*[]uuid.UUID{logbook.RoleMachine: &machines, logbook.RoleRun: &runs, logbook.RoleJob: &jobs} {
			if id, ok := e.Entry.Subject(role); ok {
				*ids = append(*ids, uuid.UUID(id))
			}
		}
	}
	names, err := readMap[uuid.UUID, string](ctx, s.pool, `SELECT id, name FROM person WHERE id = ANY($1)`, people)
	if err != nil {
		return err
	}
	machineNames, err := readMap[uuid.UUID, string](ctx, s.pool, `SELECT id, name FROM machine WHERE id = ANY($1)`, machines)
	if err != nil {
		return err
	}
	numbers, err := readMap[uuid.UUID, int64](ctx, s.pool, `SELECT id, number FROM run WHERE id = ANY($1)`, runs)
	if err != nil {
		return err
	}
	titles, err := readMap[uuid.UUID, string](ctx, s.pool, `SELECT id, title FROM job WHERE id = ANY($1)`, jobs)
	if err != nil {
		return err
	}
	owners, err := readMap[uuid.UUID, uuid.UUID](ctx, s.pool, `SELECT id, member FROM job WHERE id = ANY($1)`, jobs)
	if err != nil {
		return err
	}
	for i := range list {
		e := &list[i]
		e.ActorName = names[uuid.UUID(e.Entry.Actor)]
		if id, ok := e.Entry.Subject(logbook.RoleMachine); ok {
			e.MachineName = machineNames[uuid.UUID(id)]
		}
		if id, ok := e.Entry.Subject(logbook.RoleRun); ok {
			e.Number = numbers[uuid.UUID(id)]
		}
		if id, ok := e.Entry.Subject(logbook.RoleJob); ok {
			e.Title, e.Owner = titles[uuid.UUID(id)], owners[uuid.UUID(id)]
		}
	}
	return nil
}

// LogSize is how many entries the logbook holds.
func (s *Store) LogSize(ctx context.Context) (size int64, err error) {
	err = s.pool.QueryRow(ctx, `SELECT size FROM log_head`).Scan(&size)
	return size, err
}

func (s *Store) tree(ctx context.Context) (tree logbook.Tree, err error) {
	var reads pgx.Batch
	readTree(&reads, &tree)
	return tree, s.read(ctx, &reads)
}

func readTree(b *pgx.Batch, tree *logbook.Tree) {
	b.Queue(`SELECT size, frontier FROM log_head`).QueryRow(func(row pgx.Row) error {
		var size int64
		var frontier []byte
		err := row.Scan(&size, &frontier)
		if err == nil {
			*tree, err = logbook.DecodeTree(size, frontier)
		}
		return err
	})
}

// LogHead signs the head of the logbook as it stands and keeps it; a head of the same size is
// signed once.
func (s *Store) LogHead(ctx context.Context) ([]byte, int64, error) {
	signed, size, err := s.signHead(ctx)
	if err != nil {
		return nil, 0, err
	}
	if _, err := s.pool.Exec(ctx, `INSERT INTO log_signed_head (size, note) VALUES ($1, $2) ON CONFLICT DO NOTHING`, size, string(signed)); err != nil {
		return nil, 0, err
	}
	return signed, size, nil
}

// signHead signs the head as it stands. A log key that was replaced signs none any more.
func (s *Store) signHead(ctx context.Context) (signed []byte, size int64, err error) {
	if err := s.CheckKeys(ctx); err != nil {
		return nil, 0, err
	}
	site, err := s.Site(ctx)
	if err != nil {
		return nil, 0, err
	}
	tree, err := s.tree(ctx)
	if err != nil {
		return nil, 0, err
	}
	signed, err = logbook.SignHead(logbook.Head{Origin: s.origin(site), Size: tree.Size, Root: tree.Root()}, s.cfg.LogSigner)
	return signed, tree.Size, err
}

// ProvenHead is a head with the proof that its log follows from the first entries of it.
type ProvenHead struct {
	Head  []byte // signed
	Size  int64
	Proof []tlog.Hash // RFC 6962, 2.1.2; empty where there is nothing to prove, or no proof
}

// ProveHead signs the head as it stands and proves that it follows from the first from entries; 0
// asks for no proof. A log that is shorter gives no proof. The head is not kept: whoever asks keeps it.
func (s *Store) ProveHead(ctx context.Context, from int64) (ProvenHead, error) {
	var h ProvenHead
	var err error
	if h.Head, h.Size, err = s.signHead(ctx); err != nil || from <= 0 || from > h.Size {
		return h, err
	}
	h.Proof, err = logbook.ProveConsistency(from, h.Size, hashes{ctx, s})
	return h, err
}

// headEvery is how old the newest head may become while the log grows.
const headEvery = 15 * time.Minute

// KeepHead signs and keeps a head where the log grew and the newest one is 15 minutes old, and at
// once after a lockout or an incident. It returns how many it signed.
func (s *Store) KeepHead(ctx context.Context) (int, error) {
	var due bool
	err := s.pool.QueryRow(ctx, `SELECT l.size > coalesce(h.size, 0) AND (h.at IS NULL OR h.at < now() - $1::interval
			OR EXISTS (SELECT 1 FROM log_entry WHERE kind = 'lockout.set' AND index >= h.size)
			OR EXISTS (SELECT 1 FROM log_entry WHERE kind = 'incident.opened' AND index >= h.size))
		FROM log_head l LEFT JOIN LATERAL (SELECT size, at FROM log_signed_head ORDER BY size DESC LIMIT 1) h ON true`, headEvery).Scan(&due)
	if err != nil || !due {
		return 0, err
	}
	_, _, err = s.LogHead(ctx)
	return 1, err
}

// origin is the log's name in its heads. An epoch after a restore makes another log of it.
func (s *Store) origin(site Site) string { return logbook.Origin(site.Name, site.LogEpoch) }

// proveHead adds the proof that the logbook follows from the first from entries that a worker keeps a
// head of. Where it cannot, the proof is missing and the worker knows.
func (s *Store) proveHead(ctx context.Context, st *broker.State, from int64) error {
	st.HeadFrom = from
	if from == 0 {
		return nil
	}
	newest, err := logbook.PeekHead(st.Head)
	if err != nil || newest.Size < from {
		if st.Head, newest.Size, err = s.LogHead(ctx); err != nil {
			return err
		}
	}
	if newest.Size < from {
		return nil
	}
	proof, err := logbook.ProveConsistency(from, newest.Size, hashes{ctx, s})
	if err != nil {
		return err
	}
	for _, h := range proof {
		st.HeadProof = append(st.HeadProof, h)
	}
	return nil
}

// hashes reads stored hashes of the tree.
type hashes struct {
	ctx context.Context
	s   *Store
}

// ReadHashes is tlog.HashReader.
func (h hashes) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	found, err := readMap[int64, []byte](h.ctx, h.s.pool, `SELECT index, hash FROM log_hash WHERE index = ANY($1)`, indexes)
	if err != nil {
		return nil, err
	}
	out := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		hash, ok := found[at]
		if !ok {
			return nil, fmt.Errorf("stored hash %d is missing", at)
		}
		out[i] = tlog.Hash(hash)
	}
	return out, nil
}

// LogProof proves that an entry is in the logbook, in the text form of C2SP tlog-proof. Errors:
// ErrNotFound.
func (s *Store) LogProof(ctx context.Context, index int64) ([]byte, error) {
	head, size, err := s.LogHead(ctx)
	if err != nil {
		return nil, err
	}
	if index < 0 || index >= size {
		return nil, ErrNotFound
	}
	proofs, err := s.proofsUnder(ctx, head, size, []int64{index})
	if err != nil {
		return nil, err
	}
	return proofs[0], nil
}

// proofsUnder proves entries under the signed head of that many entries: one query, however many they are.
func (s *Store) proofsUnder(ctx context.Context, head []byte, size int64, entries []int64) ([][]byte, error) {
	var needed wanted
	for _, index := range entries {
		if _, err := logbook.ProveInclusion(index, size, &needed); err != nil {
			return nil, err
		}
	}
	read, err := hashes{ctx, s}.ReadHashes(needed)
	if err != nil {
		return nil, err
	}
	there := make(known, len(needed))
	for i, at := range needed {
		there[at] = read[i]
	}
	proofs := make([][]byte, len(entries))
	for i, index := range entries {
		proof, err := logbook.ProveInclusion(index, size, there)
		if err != nil {
			return nil, err
		}
		proofs[i] = logbook.EntryProof{Index: index, Hashes: proof, Head: head}.Text()
	}
	return proofs, nil
}

// wanted notes which hashes are asked for and answers with none.
type wanted []int64

// ReadHashes is tlog.HashReader.
func (w *wanted) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	*w = append(*w, indexes...)
	return make([]tlog.Hash, len(indexes)), nil
}

// known are hashes that were read, all that will be asked for.
type known map[int64]tlog.Hash

// ReadHashes is tlog.HashReader.
func (k known) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		out[i] = k[at]
	}
	return out, nil
}

// exportPage is how many entries are read at a time.
const exportPage = 2000

// ExportLog writes the whole logbook with its heads and keys, for a check offline. It holds a page
// of it at a time.
func (s *Store) ExportLog(ctx context.Context, w io.Writer) error {
	site, err := s.Site(ctx)
	if err != nil {
		return err
	}
	_, size, err := s.LogHead(ctx)
	if err != nil {
		return err
	}
	heads, err := s.signedHeads(ctx, size)
	if err != nil {
		return err
	}
	keys, err := s.everyKey(ctx)
	if err != nil {
		return err
	}
	out, err := logbook.NewExportWriter(w, logbook.ExportHeader{Origin: s.origin(site), Keys: keys})
	if err != nil {
		return err
	}
	for from := int64(0); from < size; from += exportPage {
		if heads, err = s.exportFrom(ctx, out, from, min(from+exportPage, size), heads); err != nil {
			return err
		}
	}
	for _, h := range heads {
		if err := out.WriteHead([]byte(h.Note)); err != nil {
			return err
		}
	}
	return out.Close()
}

func (s *Store) signedHeads(ctx context.Context, upTo int64) ([]KeptHead, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[KeptHead], `SELECT size, note, at FROM log_signed_head WHERE size <= $1 ORDER BY size`, upTo)
}

// exportFrom writes one page; a head stands before the entry whose index is its size.
func (s *Store) exportFrom(ctx context.Context, out *logbook.ExportWriter, from, to int64, heads []KeptHead) ([]KeptHead, error) {
	type entry struct {
		Index int64
		Data  []byte
	}
	page, err := readAll(ctx, s.pool, pgx.RowToStructByPos[entry], `SELECT index, data FROM log_entry WHERE index >= $1 AND index < $2 ORDER BY index`, from, to)
	if err != nil {
		return nil, err
	}
	at := make([]int64, len(page))
	for i, e := range page {
		at[i] = tlog.StoredHashIndex(0, e.Index)
	}
	leaves, err := hashes{ctx, s}.ReadHashes(at)
	if err != nil {
		return nil, err
	}
	for i, e := range page {
		for len(heads) > 0 && heads[0].Size <= e.Index {
			if err := out.WriteHead([]byte(heads[0].Note)); err != nil {
				return nil, err
			}
			heads = heads[1:]
		}
		if err := out.WriteEntry(e.Index, e.Data, leaves[i]); err != nil {
			return nil, err
		}
	}
	return heads, nil
}

// CheckLog checks the whole logbook as it would be checked offline, with this site's own keys.
func (s *Store) CheckLog(ctx context.Context) (logbook.Report, error) {
	keys, err := s.everyVerifier(ctx)
	if err != nil {
		return logbook.Report{}, err
	}
	ctx, cancel := context.WithCancel(ctx)
	r, w := io.Pipe()
	exported := make(chan error, 1)
	go func() {
		err := s.ExportLog(ctx, w)
		w.CloseWithError(err)
		exported <- err
	}()
	report, err := logbook.Check(r, logbook.Options{Verifiers: keys})
	// The writer ends when nobody reads on, and nothing of it outlives this call.
	cancel()
	closeErr := r.Close()
	if exportErr := <-exported; exportErr != nil && !errors.Is(exportErr, io.ErrClosedPipe) && !errors.Is(exportErr, context.Canceled) {
		return report, exportErr // trouble of the database's is no finding about the logbook
	}
	if err == nil {
		err = closeErr
	}
	return report, err
}
