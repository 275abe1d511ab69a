package bench

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"text/tabwriter"
	"time"
)

// table is what a run prints, a line as soon as it is measured.
type table struct{ out *tabwriter.Writer }

func newTable() *table { return &table{tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)} }

func (t *table) line(cells ...string) {
	fmt.Fprintln(t.out, strings.Join(cells, "\t"))
	_ = t.out.Flush() // standard output; there is nobody to tell
}

// measured is what one kind of work did.
type measured struct {
	perS     float64
	p50, p99 time.Duration
}

func (m measured) String() string {
	return fmt.Sprintf("%7.0f /s   p50 %8s   p99 %8s", m.perS, short(m.p50), short(m.p99))
}

func short(d time.Duration) string {
	return fmt.Sprintf("%.3f ms", float64(d)/float64(time.Millisecond))
}

// span is how long a kind of work is done to measure it.
const span = 3 * time.Second

// press lets so many callers do work again and again for a while, after a warm-up that is not counted.
func press(b *testing.B, callers int, work func(ctx context.Context, caller int) error) measured {
	b.Helper()
	var counted, over atomic.Bool
	took := make([][]time.Duration, callers)
	var wait sync.WaitGroup
	for c := range callers {
		wait.Go(func() {
			for !over.Load() {
				began := time.Now()
				if err := work(b.Context(), c); err != nil {
					b.Error(err)
					return
				}
				if counted.Load() {
					took[c] = append(took[c], time.Since(began))
				}
			}
		})
	}
	time.Sleep(span / 6)
	counted.Store(true)
	began := time.Now()
	time.Sleep(span)
	counted.Store(false)
	elapsed := time.Since(began)
	over.Store(true)
	wait.Wait()
	return of(slices.Concat(took...), elapsed)
}

// of sums up how long each piece of work took within a span.
func of(took []time.Duration, elapsed time.Duration) measured {
	if len(took) == 0 {
		return measured{}
	}
	slices.Sort(took)
	return measured{perS: float64(len(took)) / elapsed.Seconds(), p50: took[len(took)/2], p99: took[len(took)*99/100]}
}

// median of odd many values.
func median[T cmp.Ordered](values []T) T {
	slices.Sort(values)
	return values[len(values)/2]
}
