package worker

import "sync"

// mailboxBound is how many events may wait before the broker's are dropped. Nothing depends on the
// delivery of a message; a flood must not grow the process.
const mailboxBound = 1024

// mailbox holds events until the core takes them. Putting one in never waits.
type mailbox struct {
	mu     sync.Mutex
	events []event
	ready  chan struct{}
}

func newMailbox() *mailbox { return &mailbox{ready: make(chan struct{}, 1)} }

// post puts an event in.
func (m *mailbox) post(e event) { m.put(e, 0) }

// offer puts an event of the broker in, unless too many wait.
func (m *mailbox) offer(e event) bool { return m.put(e, mailboxBound) }

func (m *mailbox) put(e event, bound int) bool {
	m.mu.Lock()
	full := bound > 0 && len(m.events) >= bound
	if !full {
		m.events = append(m.events, e)
	}
	m.mu.Unlock()
	if !full {
		select {
		case m.ready <- struct{}{}:
		default:
		}
	}
	return !full
}

func (m *mailbox) take() []event {
	m.mu.Lock()
	defer m.mu.Unlock()
	events := m.events
	m.events = nil
	return events
}

// lane runs functions one after the other in a goroutine of its own; adding one never waits.
type lane struct {
	mu     sync.Mutex
	jobs   []func()
	closed bool
	ready  chan struct{}
}

func newLane() *lane { return &lane{ready: make(chan struct{}, 1)} }

func (q *lane) add(job func()) {
	q.mu.Lock()
	if !q.closed {
		q.jobs = append(q.jobs, job)
	}
	q.mu.Unlock()
	q.signal()
}

func (q *lane) signal() {
	select {
	case q.ready <- struct{}{}:
	default:
	}
}

// close lets run return once everything added before is done.
func (q *lane) close() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	q.signal()
}

func (q *lane) run() {
	for {
		q.mu.Lock()
		jobs, closed := q.jobs, q.closed
		q.jobs = nil
		q.mu.Unlock()
		for _, job := range jobs {
			job()
		}
		if len(jobs) > 0 {
			continue
		}
		if closed {
			return
		}
		<-q.ready
	}
}
