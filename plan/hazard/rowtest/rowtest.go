// Package rowtest holds the hazard formulas to rows of published values: each row that was gathered has a
// test by its name, and each test has a row, so that none is lost on either side.
package rowtest

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// Row is one published value. ID is that of the gathered list; a word after it tells several values of a
// row apart.
type Row struct {
	ID, Case string
	// Printed is the value as its source prints it.
	Printed string
	// Off is how far a number may lie from Printed: half a unit of its last digit, or what Note allows.
	Off float64
	// Correct is set where the printed value does not reproduce: what comes out instead.
	Correct      string
	Source, Note string
}

const columns = "id\tcase\tprinted\toff\tcorrect\tsource\tnote"

// Read reads a table of rows, tabs between the columns. A line that begins with # says something about
// those below it.
func Read(t *testing.T, path string) []Row {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var rows []Row
	seen := map[string]bool{}
	for n, line := range strings.Split(strings.TrimRight(string(data), "\n"), "\n") {
		if n == 0 {
			if line != columns {
				t.Fatalf("%s begins with %q", path, line)
			}
			continue
		}
		if strings.HasPrefix(line, "#") {
			continue
		}
		cells := strings.Split(line, "\t")
		if len(cells) != 7 {
			t.Fatalf("%s:%d has %d columns", path, n+1, len(cells))
		}
		off, err := strconv.ParseFloat(cells[3], 64)
		if err != nil || off < 0 {
			t.Fatalf("%s:%d: off %q", path, n+1, cells[3])
		}
		r := Row{ID: cells[0], Case: cells[1], Printed: cells[2], Off: off, Correct: cells[4], Source: cells[5], Note: cells[6]}
		if r.ID == "" || r.Printed == "" || r.Source == "" || seen[r.ID] {
			t.Fatalf("%s:%d stands twice, or lacks id, value or source", path, n+1)
		}
		seen[r.ID] = true
		rows = append(rows, r)
	}
	return rows
}

// Hold runs each row as a test named page/id. A computed value is a float64 or a string; one that the row
// prints must come out, one that does not reproduce must not, and its correct value must.
func Hold(t *testing.T, page string, rows []Row, computed map[string]func() (any, error)) {
	t.Helper()
	known := map[string]bool{}
	for _, r := range rows {
		known[r.ID] = true
		t.Run(page+"/"+strings.ReplaceAll(r.ID, " ", "_"), func(t *testing.T) {
			compute, ok := computed[r.ID]
			if !ok {
				t.Fatalf("nothing computes it: %s (%s)", r.Case, r.Source)
			}
			got, err := compute()
			if err != nil {
				t.Fatalf("%s: %v", r.Case, err)
			}
			if why := r.judge(got); why != "" {
				t.Errorf("%s (%s): %s; %s", r.Case, r.Source, why, r.Note)
			}
		})
	}
	for id := range computed {
		if !known[id] {
			t.Errorf("%s/%s is computed and stands in no row", page, id)
		}
	}
}

// judge says why a computed value is not the row's, empty where it is.
func (r Row) judge(got any) string {
	if r.Correct == "" {
		if !same(got, r.Printed, r.Off) {
			return fmt.Sprintf("%v, printed %s ± %g", got, r.Printed, r.Off)
		}
		return ""
	}
	switch {
	case !same(got, r.Correct, r.Off):
		return fmt.Sprintf("%v, correct is %s ± %g", got, r.Correct, r.Off)
	case same(got, r.Printed, r.Off):
		return fmt.Sprintf("%v is what is printed wrongly", got)
	}
	return ""
}

func same(got any, want string, off float64) bool {
	switch v := got.(type) {
	case string:
		return v == want
	case float64:
		n, err := strconv.ParseFloat(want, 64)
		return err == nil && math.Abs(v-n) <= off+1e-12*math.Abs(n)
	}
	return false
}
