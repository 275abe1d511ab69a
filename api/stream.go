package api

import (
	"bytes"
	"context"
	"errors"
	"math"
	"net/http"
	"strconv"
	"time"

	"kerfgate/api/wire"
	"kerfgate/db"
)

const (
	aliveEvery    = 15 * time.Second // comment lines, and another look at the session
	writePatience = 10 * time.Second
	// maxReplay is how far back a client may resume; who was away longer reads the pages anew.
	maxReplay = 10_000
)

// FollowEvents is GET /events.
func (s *Server) FollowEvents(ctx context.Context, request wire.FollowEventsRequestObject) (wire.FollowEventsResponseObject, error) {
	next := int64(-1)
	if id := request.Params.LastEventID; id != nil && *id != "" {
		after, err := strconv.ParseInt(*id, 10, 64)
		if err != nil || after < 0 || after == math.MaxInt64 {
			return nil, malformed("Last-Event-ID is not a logbook index")
		}
		next = after + 1
	}
	c, err := s.hub.join(ctx, visitIn(ctx).address)
	if err != nil {
		return nil, err
	}
	return &stream{ctx: ctx, s: s, client: c, next: next}, nil
}

// stream is one client's live events.
type stream struct {
	ctx    context.Context
	s      *Server
	client *client
	next   int64 // the entry that the client resumes at, −1 for the next that comes

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
	if err := errors.Join(st.write([]byte("retry: 2000\n\n")), st.rc.Flush()); err != nil {
		return nil // the client has gone; nobody is left to tell
	}
	if err := st.catchUp(); err != nil {
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

// catchUp writes what happened since the client's last event and makes it live. While it is far behind
// it takes no live events, which would only overflow.
func (st *stream) catchUp() error {
	for {
		end, err := st.s.hub.end(st.ctx)
		if err != nil {
			return err
		}
		switch {
		case st.next < 0:
			_, err := st.s.hub.goLive(st.client)
			return err
		case end-st.next > maxReplay || st.next > end:
			// Too much to tell, or told by a log that went on differently after a restore.
			st.next = end
			if err := st.write([]byte("event: reset\nid: " + strconv.FormatInt(end-1, 10) + "\ndata: {}\n\n")); err != nil {
				return err
			}
		case end-st.next <= replayBatch:
			live, err := st.s.hub.goLive(st.client)
			if err != nil {
				return err
			}
			for st.next < live {
				if err := st.replay(live); err != nil {
					return err
				}
			}
			return st.rc.Flush()
		default:
			if err := st.replay(end); err != nil {
				return err
			}
		}
		if st.s.hub.gone(st.client) {
			return errCut
		}
	}
}

// replay writes the next entries before end, as many as one reading gives. Few clients read at once, so
// that a whole site that comes back at one moment takes bounded memory.
func (st *stream) replay(end int64) error {
	release, err := st.s.replays.take(st.ctx)
	if err != nil {
		return err
	}
	entries, err := st.s.store.LogFrom(st.ctx, st.next, int(min(replayBatch, end-st.next)))
	release()
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		return db.ErrNotFound
	}
	for _, e := range entries {
		if err := st.send(st.s.eventOf(e)); err != nil {
			return err
		}
	}
	st.next += int64(len(entries))
	return nil
}

func (st *stream) follow() error {
	alive := time.NewTicker(aliveEvery)
	defer alive.Stop()
	for {
		select {
		case <-st.ctx.Done():
			return st.ctx.Err()
		case events, ok := <-st.client.events:
			if !ok {
				return errCut
			}
			if err := st.sendAll(events); err != nil {
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
		if err := st.rc.Flush(); err != nil {
			return err
		}
	}
}

// sendAll writes events in turn, each as the person may see it at that moment.
func (st *stream) sendAll(events []*event) error {
	for _, e := range events {
		if st.in && e.rightsOf(st.who.Person.ID) {
			if err := st.look(); err != nil {
				return err
			}
		}
		if err := st.send(e); err != nil {
			return err
		}
	}
	return nil
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

func (st *stream) send(e *event) error {
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
	_, err := st.w.Write(data)
	return err
}
