package api

import (
	"context"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/queue/broker"
)

// Reasons of a permit that this server takes back, from a fixed list.
const (
	voidNotSent  = "the permit could not be sent"
	voidNobody   = "the station was gone before the permit was sent"
	signPatience = 15 * time.Second
)

// signed is a sign-off with what the station needs to attend; the token is shown once.
type signed struct {
	Permit    db.Permit
	Token     string
	WorkerURL string
}

// SignRun is POST /runs/{id}/sign.
func (s *Server) SignRun(ctx context.Context, request wire.SignRunRequestObject) (wire.SignRunResponseObject, error) {
	done, err := s.sign(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	return wire.SignRun200JSONResponse{Run: runShape(done.Permit.Run), AttendanceToken: done.Token,
		WorkerURL: done.WorkerURL, PermitDigest: done.Permit.Digest.String()}, nil
}

// sign asks the worker for a challenge, outside any transaction; keeps sign-off and permit in one;
// and sends the permit. Where that fails it takes the permit back at once, so that nobody waits for
// a machine that will not start.
func (s *Server) sign(ctx context.Context, run uuid.UUID) (signed, error) {
	ctx, cancel := context.WithTimeout(ctx, signPatience)
	defer cancel()
	r, err := s.run(ctx, run)
	if err != nil {
		return signed{}, err
	}
	m, err := s.store.Machine(ctx, r.Machine)
	if err != nil {
		return signed{}, err
	}
	s.leaves.dropRun(run)
	challenge, err := s.floor.Challenge(ctx, r.Machine, run, broker.PurposeStart)
	if err != nil {
		return signed{}, unreached(err)
	}
	token, tokenHash := newToken()
	p, err := s.store.SignOff(ctx, actorIn(ctx), run, challenge, tokenHash)
	if err != nil {
		return signed{}, err
	}
	// Who has gone cannot attend: then the permit stays here.
	if gone := ctx.Err(); gone != nil {
		s.takeBack(ctx, p.Run, voidNobody)
		return signed{}, gone
	}
	if err := s.floor.Permit(r.Machine, p.Note); err != nil {
		s.takeBack(ctx, p.Run, voidNotSent)
		return signed{}, unreached(err)
	}
	s.endSigning(ctx)
	return signed{Permit: p, Token: token, WorkerURL: m.WorkerURL}, nil
}

// endSigning ends a session at a station with the signature that it was for; attendance goes on under
// the permit.
func (s *Server) endSigning(ctx context.Context) {
	who, ok := personIn(ctx)
	if !ok || who.Session.Kind != db.SessionStation {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer cancel()
	if err := s.store.EndSession(ctx, who.Actor(), who.Session.ID); err != nil {
		s.log.Error("session at a station not ended by its signature", "session", who.Session.ID, "error", err)
	}
}

// takeBack voids a permit in the database and tells the worker, which may have it after all. Where
// that fails too the permit expires within its 60 s, unused.
func (s *Server) takeBack(ctx context.Context, r db.Run, reason string) {
	who := actorIn(ctx)
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	note, err := s.store.Void(ctx, who, r.ID, reason)
	if err != nil {
		s.log.Error("permit not voided", "run", r.ID, "reason", reason, "error", err)
		return
	}
	if err := s.floor.Void(r.Machine, note); err != nil {
		s.log.Warn("void not sent", "run", r.ID, "error", err)
	}
}

// ResumeRun is POST /runs/{id}/resume.
func (s *Server) ResumeRun(ctx context.Context, request wire.ResumeRunRequestObject) (wire.ResumeRunResponseObject, error) {
	if err := s.resume(ctx, request.ID, request.Body); err != nil {
		return nil, err
	}
	return wire.ResumeRun202Response{}, nil
}

// resume sends the attending operator's signed leave to go on.
func (s *Server) resume(ctx context.Context, run uuid.UUID, saw *wire.LookedAgain) error {
	r, err := s.run(ctx, run)
	if err != nil {
		return err
	}
	note, err := s.store.Resume(ctx, actorIn(ctx), run, checklist.LookedAgain{NoGlow: saw.NoGlow, Unmoved: saw.SheetUnmoved, EyewearOn: saw.EyewearOn})
	if err != nil {
		return err
	}
	if err := s.floor.Resume(r.Machine, note); err != nil {
		return unreached(err)
	}
	return nil
}
