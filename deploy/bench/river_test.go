package bench

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"kerfgate/db/cluster"
)

// river is what the library's own program in deploy/river says of itself on the same Postgres.
type river struct {
	InsertPerS1 float64 `json:"insert_per_s_1"`
	InsertPerSN float64 `json:"insert_per_s_n"`
	StartP50MS  float64 `json:"start_p50_ms"`
	StartP99MS  float64 `json:"start_p99_ms"`
}

func (g *ground) river(b *testing.B) river {
	b.Helper()
	g.exec(b, `CREATE DATABASE river`)
	program := filepath.Join(g.dir, "river")
	build := exec.Command("go", "build", "-o", program, ".")
	build.Dir, build.Stderr = "../river", os.Stderr
	if err := build.Run(); err != nil {
		b.Fatal(fmt.Errorf("build deploy/river: %w", err))
	}
	run := exec.Command(program, g.pg.URL(cluster.Supervisor, "river"), strconv.Itoa(clients), strconv.Itoa(int(span.Seconds())))
	run.Stderr = os.Stderr
	out, err := run.Output()
	if err != nil {
		b.Fatal(fmt.Errorf("deploy/river: %w", err))
	}
	var r river
	if err := json.Unmarshal(out, &r); err != nil {
		b.Fatal(err)
	}
	return r
}
