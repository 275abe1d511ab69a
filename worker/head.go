package worker

import (
	"golang.org/x/mod/sumdb/tlog"

	"kerfgate/db/logbook"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// sizeOf is the size of a signed head, 0 for none.
func sizeOf(signed []byte) int64 {
	h, err := logbook.PeekHead(signed)
	if err != nil {
		return 0
	}
	return h.Size
}

// heedHead makes the worker a witness of the logbook: it keeps the newest signed head, and where the
// server cannot prove that its logbook follows from the one kept before (an entry was changed, or a
// shorter log came back), nothing is started from it. A worker without the log key pinned keeps
// none. A new epoch, accepted by hand, begins anew.
func (c *core) heedHead(s broker.State) {
	if c.logKeys == nil || len(s.Head) == 0 {
		return
	}
	kept := c.head
	if kept == nil {
		if _, err := logbook.OpenHead(s.Head, c.logKeys); err == nil {
			c.keepHead(s.Head)
		} else {
			c.doubt = true
		}
		return
	}
	if s.HeadFrom != c.headSize {
		return // the answer to a question asked before a newer head was kept
	}
	newer, err := logbook.OpenHead(s.Head, c.logKeys)
	// The kept one was verified when it was kept; its key may have been replaced since.
	older, olderErr := logbook.PeekHead(kept)
	c.doubt = err != nil || olderErr != nil || newer.Origin != older.Origin
	if !c.doubt {
		proof := make([]tlog.Hash, len(s.HeadProof))
		for i, h := range s.HeadProof {
			proof[i] = h
		}
		c.doubt = logbook.CheckConsistency(proof, older, newer) != nil
	}
	if c.doubt {
		c.challenge = nil
		c.setup.end(c)
		return
	}
	if newer.Size > older.Size {
		c.keepHead(s.Head)
	}
}

func (c *core) keepHead(signed []byte) {
	c.doubt = false
	c.head, c.headSize = signed, sizeOf(signed)
	c.write("", []journal.Fact{{Kind: journal.Head, Data: signed}})
}
