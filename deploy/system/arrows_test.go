package system_test

import (
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// arrow says what one room of the house may import of ours, and what from outside it must not.
type arrow struct {
	room   string   // package path below kerfgate/, with everything below it
	ours   []string // what it may import of ours; a trailing /... takes what lies below
	banned []string // prefixes of foreign packages, with the reason
	why    string
}

// arrows is the house as it is meant: plan ◀─ queue ◀─ checklist ◀─ db ◀─ api ◀─ main, and the
// worker beside it. The first row that fits a package counts.
var arrows = []arrow{
	{"plan", []string{"plan/..."}, []string{"github.com/jackc", "github.com/nats-io", "github.com/labstack", "github.com/google/uuid"},
		"a plan is a pure function: no database, no network, no identity"},
	{"queue/broker/embedded", []string{"plan/...", "queue", "queue/broker"}, []string{"github.com/jackc", "github.com/labstack"},
		"the only importer of nats-server"},
	{"queue/broker", []string{"plan/...", "queue", "checklist/permit"}, []string{"github.com/jackc", "github.com/labstack", "github.com/nats-io/nats-server"},
		"it carries; what it carries for lies to its right and is met through interfaces"},
	{"queue", []string{"plan/..."}, []string{"github.com/jackc", "github.com/nats-io", "github.com/labstack"}, "rules of runs and jobs, pure"},
	{"checklist/permit", nil, []string{"github.com/jackc", "github.com/nats-io", "github.com/labstack", "github.com/fxamacker"},
		"the smallest thing that a worker must trust"},
	{"checklist", []string{"plan/...", "queue"}, []string{"github.com/jackc", "github.com/nats-io", "github.com/labstack"}, "rules of the gate, pure"},
	{"db/logbook", nil, []string{"github.com/jackc", "github.com/nats-io", "github.com/labstack", "github.com/google/uuid"},
		"a verifier that trusts no database must import none"},
	{"db/cluster", nil, []string{"github.com/nats-io", "github.com/labstack"}, "runs a Postgres, knows nothing of what is in it"},
	{"db/migration", nil, []string{"github.com/nats-io", "github.com/labstack"}, "the schema"},
	{"db", []string{"plan/...", "queue", "queue/broker", "checklist", "checklist/permit", "db/..."}, []string{"github.com/nats-io/nats.go", "github.com/labstack"},
		"it keeps and decides nothing about meaning; of the broker it knows the messages' shapes"},
	{"api", []string{"plan/...", "queue", "queue/broker", "checklist", "db", "db/logbook", "db/dbtest", "api/..."},
		[]string{"github.com/jackc", "github.com/nats-io"}, "HTTP alone: the database and the broker are behind what it is given"},
	{"worker", []string{"plan/...", "queue", "queue/broker", "checklist/permit", "db/logbook", "worker/..."},
		[]string{"github.com/jackc", "github.com/labstack"}, "the process at a machine needs neither database nor web framework"},
}

// dbtestRoom holds test helpers, which import whatever they set up.
const dbtestRoom = "kerfgate/db/dbtest"

type goPackage struct {
	ImportPath string
	Imports    []string
}

// TestArrows holds every import of the house to the picture above, and every package to be named where a newcomer looks.
func TestArrows(t *testing.T) {
	t.Parallel()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "kerfgate/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile(filepath.Join("..", "..", "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	dec := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p goPackage
		if err := dec.Decode(&p); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		room := strings.TrimPrefix(p.ImportPath, "kerfgate/")
		if name := path.Base(room); !regexp.MustCompile("[`/]"+name+"/?`").Match(page) && p.ImportPath != "kerfgate" {
			t.Errorf("DEVELOPERS.md does not say what %s is", room)
		}
		if p.ImportPath == "kerfgate" || strings.HasPrefix(room, "deploy/") || p.ImportPath == dbtestRoom {
			continue
		}
		a, ok := arrowOf(room)
		if !ok {
			t.Errorf("package %s stands in no row: say where it belongs", room)
			continue
		}
		seen++
		for _, imported := range p.Imports {
			checkImport(t, a, room, imported)
		}
	}
	if seen < len(arrows) {
		t.Errorf("only %d packages were checked", seen)
	}
}

func arrowOf(room string) (arrow, bool) {
	for _, a := range arrows {
		if room == a.room || strings.HasPrefix(room, a.room+"/") {
			return a, true
		}
	}
	return arrow{}, false
}

func checkImport(t *testing.T, a arrow, room, imported string) {
	t.Helper()
	if own, ours := strings.CutPrefix(imported, "kerfgate/"); ours {
		for _, allowed := range a.ours {
			below, deep := strings.CutSuffix(allowed, "/...")
			if own == allowed || deep && (own == below || strings.HasPrefix(own, below+"/")) {
				return
			}
		}
		t.Errorf("%s imports %s: %s", room, own, a.why)
		return
	}
	if strings.HasPrefix(imported, "github.com/nats-io/nats-server") && room != "queue/broker/embedded" {
		t.Errorf("%s imports nats-server: only queue/broker/embedded may", room)
	}
	for _, banned := range a.banned {
		if strings.HasPrefix(imported, banned) {
			t.Errorf("%s imports %s: %s", room, imported, a.why)
		}
	}
}
