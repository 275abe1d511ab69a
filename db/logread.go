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
	"golang.org/x/mod/sumdb/note"
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
	Title       string // of the job
}

// LogEntries lists entries, newest first: one query for them and one for each kind of name.
func (s *Store) LogEntries(ctx context.Context, f LogFilter) ([]LogEntry, error) {
	if f.Before < 0 {
		f.Before = 1 << 62
	}
	kind := strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(f.Kind)
	sql, args := `SELECT e.index, e.data FROM log_entry e WHERE e.index < $1 AND ($2 = '' OR e.kind = $2 OR e.kind LIKE $3 || '.%')
		ORDER BY e.index DESC LIMIT $4`, []any{f.Before, f.Kind, kind, f.Limit}
	if f.Subject != uuid.Nil {
		sql = `SELECT e.index, e.data FROM log_subject s JOIN log_entry e ON e.index = s.index
			WHERE s.subject = $5 AND s.index < $1 AND ($2 = '' OR e.kind = $2 OR e.kind LIKE $3 || '.%') ORDER BY s.index DESC LIMIT $4`
		args = append(args, f.Subject)
	}
	return s.readEntries(ctx, sql, args...)
}

// LogFrom lists entries from an index on, ascending.
func (s *Store) LogFrom(ctx context.Context, index int64, limit int) ([]LogEntry, error) {
	return s.readEntries(ctx, `SELECT index, data FROM log_entry WHERE index >= $1 ORDER BY index LIMIT $2`, index, limit)
}

func (s *Store) readEntries(ctx context.Context, sql string, args ...any) ([]LogEntry, error) {
	rows, err := s.pool.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (e LogEntry, err error) {
		if err = row.Scan(&e.Index, &e.Raw); err != nil {
			return e, err
		}
		if e.Entry, err = logbook.Decode(e.Raw); err != nil {
			err = fmt.Errorf("entry %d: %w", e.Index, err)
		}
		return e, err
	})
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
	names, err := lookUp[string](ctx, s, `SELECT id, name FROM person WHERE id = ANY($1)`, people)
	if err != nil {
		return err
	}
	machineNames, err := lookUp[string](ctx, s, `SELECT id, name FROM machine WHERE id = ANY($1)`, machines)
	if err != nil {
		return err
	}
	numbers, err := lookUp[int64](ctx, s, `SELECT id, number FROM run WHERE id = ANY($1)`, runs)
	if err != nil {
		return err
	}
	titles, err := lookUp[string](ctx, s, `SELECT id, title FROM job WHERE id = ANY($1)`, jobs)
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
			e.Title = titles[uuid.UUID(id)]
		}
	}
	return nil
}

func lookUp[T any](ctx context.Context, s *Store, sql string, ids []uuid.UUID) (map[uuid.UUID]T, error) {
	rows, err := s.pool.Query(ctx, sql, ids)
	if err != nil {
		return nil, err
	}
	found := make(map[uuid.UUID]T)
	var id uuid.UUID
	var value T
	_, err = pgx.ForEachRow(rows, []any{&id, &value}, func() error {
		found[id] = value
		return nil
	})
	return found, err
}

// LogSize is how many entries the logbook holds.
func (s *Store) LogSize(ctx context.Context) (size int64, err error) {
	err = s.pool.QueryRow(ctx, `SELECT size FROM log_head`).Scan(&size)
	return size, err
}

func (s *Store) tree(ctx context.Context) (logbook.Tree, error) {
	var size int64
	var frontier []byte
	if err := s.pool.QueryRow(ctx, `SELECT size, frontier FROM log_head`).Scan(&size, &frontier); err != nil {
		return logbook.Tree{}, err
	}
	return logbook.DecodeTree(size, frontier)
}

// LogHead signs the head of the logbook as it stands and keeps it; a head of the same size is
// signed once.
func (s *Store) LogHead(ctx context.Context) ([]byte, int64, error) {
	site, err := s.Site(ctx)
	if err != nil {
		return nil, 0, err
	}
	tree, err := s.tree(ctx)
	if err != nil {
		return nil, 0, err
	}
	signed, err := logbook.SignHead(logbook.Head{Origin: s.origin(site), Size: tree.Size, Root: tree.Root()}, s.cfg.LogSigner)
	if err != nil {
		return nil, 0, err
	}
	if _, err := s.pool.Exec(ctx, `INSERT INTO log_signed_head (size, note) VALUES ($1, $2) ON CONFLICT DO NOTHING`, tree.Size, string(signed)); err != nil {
		return nil, 0, err
	}
	return signed, tree.Size, nil
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
	rows, err := h.s.pool.Query(h.ctx, `SELECT index, hash FROM log_hash WHERE index = ANY($1)`, indexes)
	if err != nil {
		return nil, err
	}
	found := make(map[int64]tlog.Hash, len(indexes))
	var index int64
	var hash []byte
	if _, err := pgx.ForEachRow(rows, []any{&index, &hash}, func() error {
		found[index] = tlog.Hash(hash)
		return nil
	}); err != nil {
		return nil, err
	}
	out := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		var ok bool
		if out[i], ok = found[at]; !ok {
			return nil, fmt.Errorf("stored hash %d is missing", at)
		}
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
	proof, err := logbook.ProveInclusion(index, size, hashes{ctx, s})
	if err != nil {
		return nil, err
	}
	return []byte(logbook.EntryProof{Index: index, Hashes: proof, Head: head}.Text()), nil
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
	out, err := logbook.NewExportWriter(w, logbook.ExportHeader{Origin: s.origin(site), Keys: []string{s.cfg.LogVerifier, s.cfg.PermitVerifier}})
	if err != nil {
		return err
	}
	for from := int64(0); from < size; from += exportPage {
		if heads, err = s.exportFrom(ctx, out, from, min(from+exportPage, size), heads); err != nil {
			return err
		}
	}
	for _, h := range heads {
		if err := out.WriteHead([]byte(h.note)); err != nil {
			return err
		}
	}
	return out.Close()
}

type keptHead struct {
	size int64
	note string
}

func (s *Store) signedHeads(ctx context.Context, upTo int64) ([]keptHead, error) {
	rows, err := s.pool.Query(ctx, `SELECT size, note FROM log_signed_head WHERE size <= $1 ORDER BY size`, upTo)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (h keptHead, err error) { return h, row.Scan(&h.size, &h.note) })
}

// exportFrom writes one page; a head stands before the entry whose index is its size.
func (s *Store) exportFrom(ctx context.Context, out *logbook.ExportWriter, from, to int64, heads []keptHead) ([]keptHead, error) {
	rows, err := s.pool.Query(ctx, `SELECT index, data FROM log_entry WHERE index >= $1 AND index < $2 ORDER BY index`, from, to)
	if err != nil {
		return nil, err
	}
	type entry struct {
		Index int64
		Data  []byte
	}
	page, err := pgx.CollectRows(rows, pgx.RowToStructByPos[entry])
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
		for len(heads) > 0 && heads[0].size <= e.Index {
			if err := out.WriteHead([]byte(heads[0].note)); err != nil {
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
	log, err := note.NewVerifier(s.cfg.LogVerifier)
	if err != nil {
		return logbook.Report{}, err
	}
	permits, err := note.NewVerifier(s.cfg.PermitVerifier)
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
	report, err := logbook.Check(r, logbook.Options{Verifiers: note.VerifierList(log, permits)})
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
