// Command river measures a general job-queue library, river, on a Postgres that is there: jobs inserted
// one by one, and how long after its insert a job starts. It stands beside the product's own numbers
// and is a module of its own, so that the product does not depend on it. Tuned as river allows: it
// looks for work every millisecond.
//
//	go run . URL CALLERS SECONDS
//
// It prints one line of JSON.
package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log"
	"log/slog"
	"os"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
)

// offer is a job of about the size of ours: which run on which machine.
type offer struct {
	Machine  string    `json:"machine"`
	Run      string    `json:"run"`
	Inserted time.Time `json:"inserted"`
}

// Kind names it.
func (offer) Kind() string { return "offer" }

type worker struct {
	river.WorkerDefaults[offer]
	started func(time.Duration)
}

// Work does nothing: what is measured is when.
func (w *worker) Work(_ context.Context, job *river.Job[offer]) error {
	w.started(time.Since(job.Args.Inserted))
	return nil
}

// result is what is printed.
type result struct {
	InsertPerS1 float64 `json:"insert_per_s_1"`
	InsertPerSN float64 `json:"insert_per_s_n"`
	StartP50MS  float64 `json:"start_p50_ms"`
	StartP99MS  float64 `json:"start_p99_ms"`
}

func main() {
	if len(os.Args) != 4 {
		log.Fatal("river URL CALLERS SECONDS")
	}
	callers, err := strconv.Atoi(os.Args[2])
	if err != nil {
		log.Fatal(err)
	}
	seconds, err := strconv.Atoi(os.Args[3])
	if err != nil {
		log.Fatal(err)
	}
	r, err := measure(context.Background(), os.Args[1], callers, time.Duration(seconds)*time.Second)
	if err != nil {
		log.Fatal(err)
	}
	if err := json.NewEncoder(os.Stdout).Encode(r); err != nil {
		log.Fatal(err)
	}
}

func measure(ctx context.Context, url string, callers int, span time.Duration) (result, error) {
	var r result
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return r, err
	}
	cfg.MaxConns = int32(callers)
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return r, err
	}
	defer pool.Close()
	migrator, err := rivermigrate.New(riverpgxv5.New(pool), nil)
	if err != nil {
		return r, err
	}
	if _, err := migrator.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
		return r, err
	}
	quiet := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError}))
	inserter, err := river.NewClient(riverpgxv5.New(pool), &river.Config{Logger: quiet})
	if err != nil {
		return r, err
	}
	if r.InsertPerS1, err = insert(ctx, inserter, 1, span); err != nil {
		return r, err
	}
	if r.InsertPerSN, err = insert(ctx, inserter, callers, span); err != nil {
		return r, err
	}
	if _, err := pool.Exec(ctx, `TRUNCATE river_job`); err != nil {
		return r, err
	}
	took, err := starts(ctx, pool, quiet, span)
	if err != nil {
		return r, err
	}
	if len(took) == 0 {
		return r, fmt.Errorf("no job started within %s", span)
	}
	slices.Sort(took)
	r.StartP50MS = took[len(took)/2].Seconds() * 1000
	r.StartP99MS = took[len(took)*99/100].Seconds() * 1000
	return r, nil
}

func insert(ctx context.Context, client *river.Client[pgx.Tx], callers int, span time.Duration) (float64, error) {
	counts, errs := make([]int, callers), make([]error, callers)
	began := time.Now()
	var wait sync.WaitGroup
	for c := range callers {
		wait.Go(func() {
			for time.Since(began) < span && errs[c] == nil {
				_, errs[c] = client.Insert(ctx, offer{Machine: "bay 1", Run: "run", Inserted: time.Now()}, nil)
				counts[c]++
			}
		})
	}
	wait.Wait()
	elapsed := time.Since(began)
	total := 0
	for c, n := range counts {
		if errs[c] != nil {
			return 0, errs[c]
		}
		total += n
	}
	return float64(total) / elapsed.Seconds(), nil
}

// starts inserts fifty jobs a second and tells how long each took from before its insert to its start.
func starts(ctx context.Context, pool *pgxpool.Pool, quiet *slog.Logger, span time.Duration) ([]time.Duration, error) {
	var mu sync.Mutex
	var took []time.Duration
	workers := river.NewWorkers()
	river.AddWorker(workers, &worker{started: func(d time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		took = append(took, d)
	}})
	client, err := river.NewClient(riverpgxv5.New(pool), &river.Config{Workers: workers, Logger: quiet,
		FetchCooldown: time.Millisecond, FetchPollInterval: time.Second,
		Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: 100}}})
	if err != nil {
		return nil, err
	}
	if err := client.Start(ctx); err != nil {
		return nil, err
	}
	ticker := time.NewTicker(20 * time.Millisecond)
	defer ticker.Stop()
	for began := time.Now(); time.Since(began) < span; <-ticker.C {
		if _, err := client.Insert(ctx, offer{Machine: "bay 1", Run: "run", Inserted: time.Now()}, nil); err != nil {
			return nil, err
		}
	}
	if err := client.Stop(ctx); err != nil {
		return nil, err
	}
	mu.Lock()
	defer mu.Unlock()
	return took, nil
}
