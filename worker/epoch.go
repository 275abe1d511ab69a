package worker

import (
	"bytes"
	"fmt"
	"maps"
	"slices"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// tellAtMost bounds how many burned runs are told to a server that was restored.
const tellAtMost = 1000

// AcceptEpoch takes a new server epoch by hand, at the machine, while no worker runs there: the
// database was restored, or it is another server (I14). What was prepared under the old one is
// forgotten, what is burned stays burned and is told to the server; a lockout stays until the
// server says otherwise. told is how many burned runs the server will hear of.
func AcceptEpoch(folder journal.Files, epoch [16]byte) (told int, err error) {
	j, err := journal.Open(folder)
	if err != nil {
		return 0, fmt.Errorf("opening the journal: %w", err)
	}
	defer func() {
		if cerr := j.Close(); err == nil {
			err = cerr
		}
	}()
	book := j.Book()
	if book.HasServer && book.Server == epoch {
		return 0, nil
	}
	facts := []journal.Fact{{Kind: journal.Epoch, Server: epoch}}
	for _, run := range slices.SortedFunc(maps.Keys(book.Prepared), func(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) }) {
		facts = append(facts, journal.Fact{Kind: journal.Forgotten, Run: run})
	}
	burns := book.Burns
	if len(burns) > tellAtMost {
		burns = burns[len(burns)-tellAtMost:]
	}
	number := book.LastNumber
	var reports []broker.Report
	for i, b := range burns {
		reports = append(reports, broker.Report{Kind: broker.ReportJournal, Run: b.Run, Permit: b.Permit, NeverMoved: !b.Started,
			Later: i < len(burns)-1})
	}
	reports = append(reports, broker.Report{Kind: broker.ReportJournal, Epoch: epoch})
	for _, r := range reports {
		number++
		r.Number = number
		data, err := canon.Marshal(r)
		if err != nil {
			return 0, err
		}
		facts = append(facts, journal.Fact{Kind: journal.Reported, Number: number, Data: data})
	}
	return len(burns), j.Append(facts...)
}
