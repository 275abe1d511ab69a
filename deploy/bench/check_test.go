package bench

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"io"
	"runtime"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"kerfgate/db/logbook"
)

// checked is what the offline check of an export did, in bytes of the file a second.
type checked struct {
	ours     float64
	floor    float64 // SHA-256 of the very same bytes, on one core
	least    float64 // file, leaves, nodes and signatures, spread over all cores without a gap
	reported logbook.Report
}

func (g *ground) check(b *testing.B) checked {
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
	var report logbook.Report
	bytesPerS := func(work func()) float64 {
		var all []float64
		for range 5 {
			began := time.Now()
			work()
			all = append(all, float64(export.Len())/time.Since(began).Seconds())
		}
		return median(all)
	}
	c := checked{
		ours: bytesPerS(func() {
			if report, err = logbook.Check(bytes.NewReader(export.Bytes()), opts); err != nil {
				b.Fatal(err)
			}
		}),
		floor: bytesPerS(func() { sha256.Sum256(export.Bytes()) }),
	}
	c.reported = report
	c.least = bytesPerS(least(b, export.Bytes(), report.Permits+report.Heads)) * float64(runtime.GOMAXPROCS(0))
	return c
}

// least answers what nobody can leave out who checks an export, as work to be measured: the digest of
// the file, a hash for each entry and one for each node above it, and the signatures. It reads no entry.
func least(b *testing.B, export []byte, signatures int64) func() {
	b.Helper()
	in, err := logbook.NewExportReader(bytes.NewReader(export))
	if err != nil {
		b.Fatal(err)
	}
	var entries [][]byte
	for {
		record, err := in.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			b.Fatal(err)
		}
		if record.Head == nil {
			entries = append(entries, record.Entry)
		}
	}
	public, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		b.Fatal(err)
	}
	text := make([]byte, 1024) // about as long as a permit
	signature := ed25519.Sign(private, text)
	return func() {
		sha256.Sum256(export)
		var node [65]byte
		for _, entry := range entries {
			sha256.Sum256(entry)
			sha256.Sum256(node[:])
		}
		for range signatures {
			if !ed25519.Verify(public, text, signature) {
				b.Fatal("a good signature is refused")
			}
		}
	}
}
