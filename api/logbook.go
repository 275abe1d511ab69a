package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/logbook"
)

// ListEntries is GET /logbook.
func (s *Server) ListEntries(ctx context.Context, request wire.ListEntriesRequestObject) (wire.ListEntriesResponseObject, error) {
	limit, err := pageLimit(request.Params.Limit)
	if err != nil {
		return nil, err
	}
	filter := db.LogFilter{Before: -1, Limit: limit}
	if p := request.Params.Before; p != nil {
		if *p < 0 {
			return nil, invalid("before", "there is no such index", "use next of the page before")
		}
		filter.Before = *p
	}
	if p := request.Params.Kind; p != nil {
		filter.Kind = *p
	}
	if p := request.Params.Subject; p != nil {
		filter.Subject = *p
	}
	found, err := s.store.LogPage(ctx, filter)
	if err != nil {
		return nil, err
	}
	page := wire.EntryPage{Entries: make([]wire.Entry, 0, len(found.Entries))}
	for _, e := range found.Entries {
		page.Entries = append(page.Entries, entryShape(e))
	}
	if found.Next > 0 {
		page.Next = &found.Next
	}
	return wire.ListEntries200JSONResponse(page), nil
}

// GetHead is GET /logbook/head.
func (s *Server) GetHead(ctx context.Context, _ wire.GetHeadRequestObject) (wire.GetHeadResponseObject, error) {
	note, _, err := s.store.LogHead(ctx)
	if err != nil {
		return nil, err
	}
	return wire.GetHead200TextResponse(note), nil
}

// GetProof is GET /logbook/{index}/proof.
func (s *Server) GetProof(ctx context.Context, request wire.GetProofRequestObject) (wire.GetProofResponseObject, error) {
	if request.Index < 0 {
		return nil, db.ErrNotFound
	}
	proof, err := s.store.LogProof(ctx, request.Index)
	if err != nil {
		return nil, err
	}
	return wire.GetProof200TextResponse(proof), nil
}

// ExportLogbook is GET /logbook/export.
func (s *Server) ExportLogbook(ctx context.Context, _ wire.ExportLogbookRequestObject) (wire.ExportLogbookResponseObject, error) {
	release, err := s.proofs.take(ctx)
	if err != nil {
		return nil, err
	}
	return export{ctx: ctx, store: s.store, release: release, at: s.now()}, nil
}

// export streams the logbook.
type export struct {
	ctx     context.Context
	store   *db.Store
	release func()
	at      time.Time
}

// VisitExportLogbookResponse writes the file.
func (e export) VisitExportLogbookResponse(w http.ResponseWriter) error {
	defer e.release()
	return sendFile(w, "application/octet-stream", "logbook-"+e.at.UTC().Format("20060102-150405")+".kglog",
		func(out io.Writer) error { return e.store.ExportLog(e.ctx, out) })
}

// CheckLogbook is GET /logbook/check.
func (s *Server) CheckLogbook(ctx context.Context, _ wire.CheckLogbookRequestObject) (wire.CheckLogbookResponseObject, error) {
	release, err := s.proofs.take(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	report, err := s.store.CheckLog(ctx)
	found := wire.CheckReport{Good: err == nil, Finding: "the logbook is whole", Origin: report.Origin,
		Entries: report.Entries, Root: hex.EncodeToString(report.Root[:]), Heads: report.Heads,
		Covered: report.Covered, Runs: report.Runs, Permits: report.Permits}
	if err != nil {
		var finding *logbook.CheckError
		if !errors.As(err, &finding) {
			return nil, err
		}
		s.log.Error("logbook check failed", "status", finding.Status, "finding", finding.Error())
		found.Status, found.Finding = int64(finding.Status), finding.Error()
		if finding.Index >= 0 {
			found.Index = &finding.Index
		}
	}
	return wire.CheckLogbook200JSONResponse(found), nil
}

func entryShape(e db.LogEntry) wire.Entry {
	leaf := sha256.Sum256(append([]byte{0}, e.Raw...)) // RFC 6962 §2.1
	shape := wire.Entry{Index: e.Index, Time: utc(e.Entry.Time), Kind: string(e.Entry.Kind), ActorName: e.ActorName,
		ActorID: someID(uuid.UUID(e.Entry.Actor)), StationID: someID(uuid.UUID(e.Entry.Station)),
		Subjects: make([]wire.EntrySubject, 0, len(e.Entry.Subjects)), Body: map[string]any{},
		MachineName: optional(e.MachineName), LeafHash: hex.EncodeToString(leaf[:])}
	if e.Number > 0 {
		shape.RunNumber = &e.Number
	}
	for _, x := range e.Entry.Subjects {
		shape.Subjects = append(shape.Subjects, wire.EntrySubject{Role: x.Role, ID: uuid.UUID(x.ID)})
	}
	for key, value := range e.Entry.Body {
		shape.Body[key] = bodyShape(value)
	}
	return shape
}

// bodyShape writes byte strings as hexadecimal, also in lists.
func bodyShape(value any) any {
	switch v := value.(type) {
	case []byte:
		return hex.EncodeToString(v)
	case []any:
		all := make([]any, len(v))
		for i := range v {
			all[i] = bodyShape(v[i])
		}
		return all
	case string, bool, int64:
		return v
	}
	return fmt.Sprint(value)
}
