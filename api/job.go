package api

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/canon"
)

// ListJobs is GET /jobs.
func (s *Server) ListJobs(ctx context.Context, request wire.ListJobsRequestObject) (wire.ListJobsResponseObject, error) {
	limit, err := pageLimit(request.Params.Limit)
	if err != nil {
		return nil, err
	}
	jobs, err := s.store.Jobs(ctx, actorIn(ctx), given(request.Params.Cursor), limit)
	if err != nil {
		return nil, err
	}
	page := wire.JobPage{}
	page.Jobs, page.Next = paged(jobs, limit, jobShape, func(j db.Job) uuid.UUID { return j.ID })
	return wire.ListJobs200JSONResponse(page), nil
}

// SubmitJob is POST /jobs.
func (s *Server) SubmitJob(ctx context.Context, request wire.SubmitJobRequestObject) (wire.SubmitJobResponseObject, error) {
	wanted, err := newJob(*request.Body)
	if err != nil {
		return nil, err
	}
	j, err := s.store.SubmitJob(ctx, actorIn(ctx), wanted)
	if err != nil {
		return nil, err
	}
	return wire.SubmitJob201JSONResponse{Body: jobShape(j), Headers: wire.SubmitJob201ResponseHeaders{ETag: etag(j.Rev)}}, nil
}

func newJob(body wire.NewJob) (db.NewJob, error) {
	title := strings.TrimSpace(body.Title)
	if n := utf8.RuneCountInString(title); n == 0 || n > db.MaxTitle {
		return db.NewJob{}, invalid("title", "the title is missing or too long", fmt.Sprintf("give 1 to %d characters", db.MaxTitle))
	}
	if body.Copies < 1 || body.Copies > db.MaxCopies {
		return db.NewJob{}, invalid("copies", "that many copies are not possible", fmt.Sprintf("give 1 to %d", db.MaxCopies))
	}
	digest, err := canon.Parse(body.Plan)
	if err != nil {
		return db.NewJob{}, err
	}
	n := db.NewJob{Title: title, Plan: digest, Machine: body.MachineID, Stock: body.StockID, Copies: body.Copies, Due: someTime(body.Due)}
	if body.SetID != nil {
		n.Set = *body.SetID
	}
	return n, nil
}

// GetJob is GET /jobs/{id}.
func (s *Server) GetJob(ctx context.Context, request wire.GetJobRequestObject) (wire.GetJobResponseObject, error) {
	j, err := s.store.Job(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	return wire.GetJob200JSONResponse{Body: jobShape(j), Headers: wire.GetJob200ResponseHeaders{ETag: etag(j.Rev)}}, nil
}

// WithdrawJob is POST /jobs/{id}/withdraw.
func (s *Server) WithdrawJob(ctx context.Context, request wire.WithdrawJobRequestObject) (wire.WithdrawJobResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	j, err := s.store.WithdrawJob(ctx, actorIn(ctx), request.ID, rev)
	if err != nil {
		return nil, stale(rev, err)
	}
	return wire.WithdrawJob200JSONResponse{Body: jobShape(j), Headers: wire.WithdrawJob200ResponseHeaders{ETag: etag(j.Rev)}}, nil
}

// ChooseJobSet is PUT /jobs/{id}/set.
func (s *Server) ChooseJobSet(ctx context.Context, request wire.ChooseJobSetRequestObject) (wire.ChooseJobSetResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	j, err := s.store.ChooseSet(ctx, actorIn(ctx), request.ID, given(request.Body.SetID), rev)
	if err != nil {
		return nil, stale(rev, err)
	}
	return wire.ChooseJobSet200JSONResponse{Body: jobShape(j), Headers: wire.ChooseJobSet200ResponseHeaders{ETag: etag(j.Rev)}}, nil
}

// etag is a strong validator (RFC 9110 §8.8.3) made of a revision.
func etag(rev int64) *string {
	text := `"` + strconv.FormatInt(rev, 10) + `"`
	return &text
}

// revOf reads an If-Match; 0 stands for any.
func revOf(ifMatch *string) (int64, error) {
	if ifMatch == nil || strings.TrimSpace(*ifMatch) == "*" {
		return 0, nil
	}
	text := strings.TrimSpace(*ifMatch)
	inner, opened := strings.CutPrefix(text, `"`)
	inner, closed := strings.CutSuffix(inner, `"`)
	rev, err := strconv.ParseInt(inner, 10, 64)
	if !opened || !closed || err != nil || rev <= 0 {
		return 0, malformed("If-Match is not an ETag of this server")
	}
	return rev, nil
}

// stale is a conflict of somebody who named the rev; other errors stay.
func stale(rev int64, err error) error {
	if rev != 0 && errors.Is(err, db.ErrConflict) {
		return errStale
	}
	return err
}

// pageLimit is how many rows a page has: 50, or what was asked from 1 to 200.
func pageLimit(asked *int) (int, error) {
	switch {
	case asked == nil:
		return 50, nil
	case *asked < 1 || *asked > 200:
		return 0, invalid("limit", "a page has 1 to 200 rows", "ask for fewer and follow next")
	}
	return *asked, nil
}

// paged makes a page of a list as the wire shapes its rows; next is the last one's id where there may be more.
func paged[R, W any](rows []R, limit int, shape func(R) W, id func(R) uuid.UUID) (page []W, next *uuid.UUID) {
	page = make([]W, len(rows))
	for i, r := range rows {
		page[i] = shape(r)
	}
	if len(rows) == limit {
		last := id(rows[limit-1])
		next = &last
	}
	return page, next
}

func jobShape(j db.Job) wire.Job {
	shape := wire.Job{
		ID: j.ID, Title: j.Title, MemberID: j.Member, MemberName: j.MemberName, DrawingID: j.Drawing,
		Plan: j.Plan.String(), MachineID: j.Machine, MachineName: j.MachineName, Tool: j.Tool,
		MaterialID: j.Material, MaterialName: j.MaterialName, StockID: j.Stock, StockLot: j.StockLot,
		Copies: j.Copies, Due: someTime(j.Due), SubmittedAt: utc(j.SubmittedAt),
		WithdrawnAt: someTime(j.WithdrawnAt), SetID: j.Set, SetName: optional(j.SetName), State: string(j.State), Rev: j.Rev,
		Runs: make([]wire.Run, 0, len(j.Runs)),
	}
	for _, r := range j.Runs {
		shape.Runs = append(shape.Runs, runShape(r))
	}
	return shape
}
