package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"strconv"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/logbook"
)

const (
	aliveEvery    = 15 * time.Second // comment lines, and another look at the session
	writePatience = 10 * time.Second
	// maxReplay is how far back a client may resume; who was away longer reads the pages anew.
	maxReplay = 10_000
)

// FollowEvents is GET /events.
func (s *Server) FollowEvents(ctx context.Context, request wire.FollowEventsRequestObject) (wire.FollowEventsResponseObject, error) {
	after := int64(-1)
	if id := request.Params.LastEventID; id != nil && *id != "" {
		var err error
		if after, err = strconv.ParseInt(*id, 10, 64); err != nil || after < 0 {
			return nil, malformed("Last-Event-ID is not a logbook index")
		}
	}
	c, live, err := s.hub.join(ctx, visitIn(ctx).address)
	if err != nil {
		return nil, err
	}
	return &stream{ctx: ctx, s: s, client: c, live: live, after: after, resume: request.Params.LastEventID != nil}, nil
}

// stream is one client's live events.
type stream struct {
	ctx         context.Context
	s           *Server
	client      *client
	live, after int64
	resume      bool

	w   http.ResponseWriter
	rc  *http.ResponseController
	who signedIn
	in  bool
}

// VisitFollowEventsResponse writes events until the client goes, falls behind or loses its session,
// or the server ends.
func (st *stream) VisitFollowEventsResponse(w http.ResponseWriter) error {
	defer st.s.hub.leave(st.client)
	st.w, st.rc = w, http.NewResponseController(w)
	st.who, st.in = personIn(st.ctx)
	// The server's deadlines are for requests that end.
	if err := st.rc.SetReadDeadline(time.Time{}); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.WriteHeader(http.StatusOK)
	if err := st.write([]byte("retry: 2000\n\n")); err != nil {
		return nil // the client has gone; nobody is left to tell
	}
	if err := st.replay(); err != nil {
		st.s.log.Debug("replay ended", "request", visitIn(st.ctx).id, "error", err)
		return nil
	}
	if err := st.follow(); err != nil {
		st.s.log.Debug("event stream ended", "request", visitIn(st.ctx).id, "error", err)
	}
	return nil
}

var (
	errCut     = errors.New("client was too slow, or the server ends")
	errExpired = errors.New("session has ended")
)

// replay writes what happened between the client's last event and the first live one.
func (st *stream) replay() error {
	if !st.resume || st.after+1 >= st.live {
		return nil
	}
	if st.live-st.after > maxReplay {
		return st.write([]byte("event: lost\ndata: {}\n\n"))
	}
	for next := st.after + 1; next < st.live; {
		entries, err := st.s.store.LogFrom(st.ctx, next, int(min(batch, st.live-next)))
		if err != nil {
			return err
		}
		if len(entries) == 0 {
			return db.ErrNotFound
		}
		for _, e := range entries {
			owner := uuid.Nil
			if job, ok := e.Entry.Subject(logbook.RoleJob); ok && st.in {
				owner = st.s.memberOf(st.ctx, uuid.UUID(job))
			}
			if err := st.send(st.s.eventOf(e, owner)); err != nil {
				return err
			}
		}
		next += int64(len(entries))
	}
	return nil
}

func (st *stream) follow() error {
	alive := time.NewTicker(aliveEvery)
	defer alive.Stop()
	for {
		select {
		case <-st.ctx.Done():
			return st.ctx.Err()
		case e, ok := <-st.client.events:
			if !ok {
				return errCut
			}
			if e.rights {
				if err := st.look(); err != nil {
					return err
				}
			}
			if err := st.send(e); err != nil {
				return err
			}
		case <-alive.C:
			if err := st.look(); err != nil {
				return err
			}
			if err := st.write([]byte(": alive\n\n")); err != nil {
				return err
			}
		}
	}
}

// look reads the session again: rights change at once, in open streams too.
func (st *stream) look() error {
	if !st.in {
		return nil
	}
	ctx, cancel := context.WithTimeout(st.ctx, writePatience)
	defer cancel()
	who, ok, err := st.s.whoHas(ctx, visitIn(st.ctx).token)
	if err != nil {
		return err
	}
	if !ok {
		return errExpired
	}
	st.who = who
	return nil
}

func (st *stream) send(e event) error {
	data := e.seenBy(st.who, st.in)
	if data == nil {
		return nil
	}
	var b bytes.Buffer
	if e.index >= 0 {
		b.WriteString("event: entry\nid: " + strconv.FormatInt(e.index, 10) + "\n")
	} else {
		b.WriteString("event: reading\n")
	}
	b.WriteString("data: ")
	b.Write(bytes.TrimRight(data, "\n"))
	b.WriteString("\n\n")
	return st.write(b.Bytes())
}

func (st *stream) write(data []byte) error {
	if err := st.rc.SetWriteDeadline(time.Now().Add(writePatience)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := st.w.Write(data); err != nil {
		return err
	}
	return st.rc.Flush()
}
