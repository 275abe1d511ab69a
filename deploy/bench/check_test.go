package bench

import (
	"bytes"
	"crypto/sha256"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"kerfgate/db/logbook"
)

// check is how many bytes of its export the offline check takes in a second, and how many SHA-256 of
// the very same bytes does.
func (g *ground) check(b *testing.B) (ours, floor float64, entries int64) {
	b.Helper()
	var export bytes.Buffer
	if err := g.store.ExportLog(b.Context(), &export); err != nil {
		b.Fatal(err)
	}
	logKey, err := note.NewVerifier(g.keys.LogPublic)
	if err != nil {
		b.Fatal(err)
	}
	permitKey, err := note.NewVerifier(g.keys.PermitPublic)
	if err != nil {
		b.Fatal(err)
	}
	opts := logbook.Options{Verifiers: note.VerifierList(logKey, permitKey)}
	var checked, hashed []float64
	for range 5 {
		began := time.Now()
		report, err := logbook.Check(bytes.NewReader(export.Bytes()), opts)
		if err != nil {
			b.Fatal(err)
		}
		checked = append(checked, float64(export.Len())/time.Since(began).Seconds())
		entries = report.Entries
		began = time.Now()
		sha256.Sum256(export.Bytes())
		hashed = append(hashed, float64(export.Len())/time.Since(began).Seconds())
	}
	return median(checked), median(hashed), entries
}
