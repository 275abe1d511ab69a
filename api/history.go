package api

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/queue"
)

// ListRuns is GET /runs.
func (s *Server) ListRuns(ctx context.Context, request wire.ListRunsRequestObject) (wire.ListRunsResponseObject, error) {
	p := request.Params
	limit, err := pageLimit(p.Limit)
	if err != nil {
		return nil, err
	}
	f, err := historyFilter(p.MachineID, p.PersonID, p.MaterialID, (*string)(p.Outcome), p.From, p.To)
	if err != nil {
		return nil, err
	}
	f.Limit, f.After = limit, given(p.Cursor)
	runs, err := s.store.History(ctx, actorIn(ctx), f)
	if err != nil {
		return nil, err
	}
	page := wire.RunPage{}
	page.Runs, page.Next = paged(runs, limit, runShape, func(r db.Run) uuid.UUID { return r.ID })
	return wire.ListRuns200JSONResponse(page), nil
}

func given(id *uuid.UUID) uuid.UUID {
	if id == nil {
		return uuid.Nil
	}
	return *id
}

func historyFilter(machine, person, material *uuid.UUID, outcome *string, from, to *time.Time) (db.HistoryFilter, error) {
	f := db.HistoryFilter{Machine: given(machine), Person: given(person), Material: given(material), Outcome: queue.Outcome(text(outcome))}
	if f.Outcome != queue.NoOutcome && !wire.ListRunsParamsOutcome(f.Outcome).Valid() {
		return f, invalid("outcome", "there is no such outcome", "ask for completed, stopped, failed, interrupted or withdrawn")
	}
	if from != nil {
		f.From = *from
	}
	if to != nil {
		f.To = *to
	}
	return f, nil
}

// ExportRuns is GET /runs/export.
func (s *Server) ExportRuns(ctx context.Context, request wire.ExportRunsRequestObject) (wire.ExportRunsResponseObject, error) {
	p := request.Params
	f, err := historyFilter(p.MachineID, p.PersonID, p.MaterialID, (*string)(p.Outcome), p.From, p.To)
	if err != nil {
		return nil, err
	}
	format := wire.ExportRunsParamsFormatCsv
	if p.Format != nil {
		format = *p.Format
	}
	if !format.Valid() {
		return nil, invalid("format", "there is no such format", "ask for csv or jsonl")
	}
	release, err := s.proofs.take(ctx)
	if err != nil {
		return nil, err
	}
	return runsFile{ctx: ctx, store: s.store, filter: f, lines: format == wire.ExportRunsParamsFormatJsonl, release: release, at: s.now()}, nil
}

// runsFile streams the history.
type runsFile struct {
	ctx     context.Context
	store   *db.Store
	filter  db.HistoryFilter
	lines   bool // JSON Lines in place of CSV
	release func()
	at      time.Time
}

// VisitExportRunsResponse writes the file.
func (e runsFile) VisitExportRunsResponse(w http.ResponseWriter) error {
	defer e.release()
	name := "runs-" + e.at.UTC().Format("20060102-150405")
	if e.lines {
		return sendFile(w, "application/x-ndjson", name+".jsonl", e.jsonLines)
	}
	return sendFile(w, "text/csv; charset=utf-8; header=present", name+".csv", e.csv)
}

func (e runsFile) jsonLines(out io.Writer) error {
	enc := json.NewEncoder(out)
	return e.store.EachOver(e.ctx, actorIn(e.ctx), e.filter, func(r db.Run) error { return enc.Encode(runShape(r)) })
}

// runColumns are the columns of the CSV file, with units in their names.
var runColumns = []struct {
	name string
	of   func(r db.Run) string
}{
	{"run", func(r db.Run) string { return strconv.FormatInt(r.Number, 10) }},
	{"id", func(r db.Run) string { return r.ID.String() }},
	{"job", func(r db.Run) string { return r.JobTitle }},
	{"copy", func(r db.Run) string { return strconv.FormatInt(r.Copy, 10) }},
	{"copies", func(r db.Run) string { return strconv.FormatInt(r.Copies, 10) }},
	{"handed_in_by", func(r db.Run) string { return r.MemberName }},
	{"attended_by", func(r db.Run) string { return r.OperatorName }},
	{"bay", func(r db.Run) string { return r.MachineBay }},
	{"machine", func(r db.Run) string { return r.MachineName }},
	{"tool", func(r db.Run) string { return r.Tool }},
	{"material", func(r db.Run) string { return r.MaterialName }},
	{"lot", func(r db.Run) string { return r.StockLot }},
	{"outcome", func(r db.Run) string { return string(r.Outcome) }},
	{"reason", func(r db.Run) string { return r.Reason }},
	{"never_moved", func(r db.Run) string { return strconv.FormatBool(r.NeverMoved) }},
	{"flame_or_glow", func(r db.Run) string { return strconv.FormatBool(r.Flame) }},
	{"sheet", func(r db.Run) string { return string(r.SheetFate) }},
	{"planned_s", func(r db.Run) string { return strconv.FormatFloat(seconds(r.PlanTotalMS), 'f', -1, 64) }},
	{"real_s", func(r db.Run) string { return strconv.FormatFloat(seconds(r.RealMS), 'f', -1, 64) }},
	{"started_at", func(r db.Run) string { return instantText(r.StartedAt) }},
	{"ended_at", func(r db.Run) string { return instantText(r.EndedAt) }},
	{"plan", func(r db.Run) string { return r.Plan.String() }},
}

func instantText(t *time.Time) string {
	if t == nil {
		return ""
	}
	return utc(*t).Format(time.RFC3339Nano)
}

func (e runsFile) csv(out io.Writer) error {
	w := csv.NewWriter(out) // it writes when its buffer is full, so an early error can still be told
	w.UseCRLF = true        // RFC 4180
	row := make([]string, len(runColumns))
	for i, c := range runColumns {
		row[i] = c.name
	}
	if err := w.Write(row); err != nil {
		return err
	}
	if err := e.store.EachOver(e.ctx, actorIn(e.ctx), e.filter, func(r db.Run) error {
		for i, c := range runColumns {
			row[i] = plainCell(c.of(r))
		}
		return w.Write(row)
	}); err != nil {
		return err
	}
	w.Flush()
	return w.Error()
}

// plainCell keeps a spreadsheet from taking a text that people typed for a formula (OWASP, CSV
// Injection): such a text gets an apostrophe in front.
func plainCell(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r", rune(text[0])) {
		return "'" + text
	}
	return text
}
