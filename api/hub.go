package api

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// Rhythm and bounds of live events.
const (
	pollEvery    = 5 * time.Second        // behind the nudges, which may be lost
	readingEvery = 500 * time.Millisecond // while somebody listens
	machinesFor  = 30 * time.Second       // how long the list of machines is believed
	batch        = 256                    // entries read at once
	replayBatch  = 64                     // entries read at once for one client that resumes
	replaySlots  = 8                      // such readings at once
	buffered     = 128                    // readings of the logbook that a client may lag behind before it is cut
	maxStreams   = 512
	maxPerPeer   = 32
)

// hub follows the logbook by index, once for the whole server, and hands events to the clients.
type hub struct {
	s       *Server
	nudge   chan struct{}
	started chan struct{} // closed when the first index is known

	mu      sync.Mutex
	next    int64 // index of the next entry to read
	clients map[*client]struct{}
	peers   map[string]int
	ended   bool

	// Only run's goroutine touches these.
	machines []uuid.UUID
	known    time.Time
	lastRead map[uuid.UUID]time.Time
}

// client is one listener. Its channel is closed when it is cut. Until it is live it only holds a seat:
// it still reads from the logbook what it missed.
type client struct {
	peer   string
	live   bool          // under the hub's lock
	events chan []*event // one reading of the logbook at a time; all clients share it
}

func newHub(s *Server) *hub {
	return &hub{s: s, nudge: make(chan struct{}, 1), started: make(chan struct{}), next: -1,
		clients: map[*client]struct{}{}, peers: map[string]int{}, lastRead: map[uuid.UUID]time.Time{}}
}

func (h *hub) nudged(int64) {
	select {
	case h.nudge <- struct{}{}:
	default: // one is waiting already
	}
}

// run follows until ctx ends, then cuts all clients.
func (h *hub) run(ctx context.Context) {
	defer h.cutAll()
	poll := time.NewTicker(pollEvery)
	defer poll.Stop()
	glance := time.NewTicker(readingEvery)
	defer glance.Stop()
	h.follow(ctx)
	for {
		select {
		case <-ctx.Done():
			return
		case <-h.nudge:
			h.follow(ctx)
		case <-poll.C:
			h.follow(ctx)
		case <-glance.C:
			h.glance(ctx)
		}
	}
}

// follow reads what is new and hands it on.
func (h *hub) follow(ctx context.Context) {
	if h.next < 0 && !h.begin(ctx) {
		return
	}
	for ctx.Err() == nil {
		entries, err := h.s.store.LogFrom(ctx, h.next, batch)
		if err != nil {
			if ctx.Err() == nil {
				h.s.log.Warn("logbook not followed", "index", h.next, "error", err)
			}
			return
		}
		events := make([]*event, 0, len(entries))
		for _, e := range entries {
			events = append(events, h.s.eventOf(e))
		}
		if len(events) > 0 {
			h.hand(events, int64(len(entries)))
		}
		if len(entries) < batch {
			return
		}
	}
}

// begin finds the end of the logbook: live events start there.
func (h *hub) begin(ctx context.Context) bool {
	newest, err := h.s.store.LogEntries(ctx, db.LogFilter{Before: -1, Limit: 1})
	if err != nil {
		if ctx.Err() == nil {
			h.s.log.Warn("logbook not followed yet", "error", err)
		}
		return false
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.next = 0
	if len(newest) > 0 {
		h.next = newest[0].Index + 1
	}
	close(h.started)
	return true
}

// hand gives events to every live client. One that is too slow is cut; it resumes by Last-Event-ID.
func (h *hub) hand(events []*event, read int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.next += read
	for c := range h.clients {
		if !c.live {
			continue
		}
		select {
		case c.events <- events:
		default:
			h.remove(c)
		}
	}
}

// end is the index of the next entry that live events will tell.
func (h *hub) end(ctx context.Context) (int64, error) {
	select {
	case <-h.started:
	case <-ctx.Done():
		return 0, ctx.Err()
	case <-time.After(pollEvery):
		return 0, errBusy
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.next, nil
}

// join gives a client a seat.
func (h *hub) join(ctx context.Context, peer string) (*client, error) {
	if _, err := h.end(ctx); err != nil {
		return nil, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.ended || len(h.clients) >= maxStreams || h.peers[peer] >= maxPerPeer {
		return nil, errBusy
	}
	c := &client{peer: peer, events: make(chan []*event, buffered)}
	h.clients[c] = struct{}{}
	h.peers[peer]++
	return c, nil
}

// goLive lets events come to a client and says from which index on; errCut when it has lost its seat.
func (h *hub) goLive(c *client) (int64, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, in := h.clients[c]; !in {
		return 0, errCut
	}
	c.live = true
	return h.next, nil
}

func (h *hub) leave(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.remove(c)
}

// remove needs the lock.
func (h *hub) remove(c *client) {
	if _, in := h.clients[c]; !in {
		return
	}
	delete(h.clients, c)
	if h.peers[c.peer]--; h.peers[c.peer] == 0 {
		delete(h.peers, c.peer)
	}
	close(c.events)
}

// gone says whether a client has lost its seat.
func (h *hub) gone(c *client) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	_, in := h.clients[c]
	return !in
}

func (h *hub) cutAll() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ended = true
	for c := range h.clients {
		h.remove(c)
	}
}

func (h *hub) listeners() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.clients)
}

func (h *hub) listening() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.clients) > 0
}

// glance hands on the machines' newest readings, which are not in the logbook.
func (h *hub) glance(ctx context.Context) {
	if !h.listening() {
		return
	}
	now := h.s.now()
	if now.Sub(h.known) > machinesFor {
		all, err := h.s.store.Machines(ctx)
		if err != nil {
			return // follow says so already
		}
		h.machines = h.machines[:0]
		for _, m := range all {
			h.machines = append(h.machines, m.ID)
		}
		h.known = now
	}
	var events []*event
	for _, id := range h.machines {
		r, at, ok := h.s.floor.Reading(id)
		if !ok || !at.After(h.lastRead[id]) {
			continue
		}
		h.lastRead[id] = at
		data, err := strictJSON{}.bytes(wire.EventReading{
			MachineID: id, RunID: r.Run, At: utc(at), Phase: r.Phase, Stroke: r.Stroke,
			DoneS: seconds(r.DoneMS), TotalS: seconds(r.TotalMS), LeftS: seconds(r.LeftMS),
			PositionXMm: mm(r.Position.X), PositionYMm: mm(r.Position.Y), ToolOn: r.ToolOn,
			CountdownS: r.CountdownS, AttendanceS: r.AttendanceS, PurgeS: r.PurgeS, Problem: r.Problem,
			MotionScale: r.MotionScale, WaitScale: r.WaitScale})
		if err != nil {
			h.s.log.Error("reading not written", "machine", id, "error", err)
			continue
		}
		events = append(events, &event{index: -1, full: data, board: data})
	}
	if len(events) > 0 {
		h.hand(events, 0)
	}
}
