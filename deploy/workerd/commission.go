package workerd

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"kerfgate/deploy/keyring"
	"kerfgate/plan/machine"
	"kerfgate/worker/check"
	"kerfgate/worker/commissioning"
	"kerfgate/worker/driver"
)

// CommissionConfig says what to commission, and who answers.
type CommissionConfig struct {
	CheckConfig
	Tool string // empty: the profile's first
	In   io.Reader
	Out  io.Writer
	Now  time.Time
}

// Commission measures what can be measured without motion, asks for the rest, and writes a signed record
// and the profile with what was measured into the worker's folder. No worker may be running there. It says
// what still keeps a beam from running. Errors: the driver's, those of reading answers and writing files.
func Commission(ctx context.Context, cfg CommissionConfig) ([]check.Finding, error) {
	key, err := keyring.ReadSeed(filepath.Join(cfg.Dir, SeedFile))
	if err != nil {
		return nil, err
	}
	where, err := readSite(cfg.Dir)
	if err != nil {
		return nil, err
	}
	p, err := cfg.profile()
	if err != nil {
		return nil, err
	}
	if len(p.Tools) == 0 {
		return nil, errors.New("the profile has no tool")
	}
	tool := p.Tools[0]
	if cfg.Tool != "" {
		var ok bool
		if tool, ok = p.Tool(cfg.Tool); !ok {
			return nil, fmt.Errorf("the profile has no tool named %q", cfg.Tool)
		}
	}
	r := commissioning.Record{At: cfg.Now, Machine: where.Machine.String(), Tool: tool.Name}
	r.On = cfg.Now.UTC().Format(time.DateOnly)
	if r.Profile, err = p.Digest(); err != nil {
		return nil, err
	}
	if r.AnsweredMS, err = measureStop(ctx, cfg.Dir, p); err != nil {
		return nil, err
	}
	fmt.Fprintf(cfg.Out, "%s, tool %s. A stop is answered within %v ms, measured just now; nothing moved.\nAn empty answer leaves a line unmeasured.\n", p.Name, tool.Name, r.AnsweredMS)
	if err := commissioning.Ask(&r, tool, cfg.In, cfg.Out); err != nil {
		return nil, err
	}
	measured := r.Apply(p, r.Tool)
	if err := keepCommissioning(cfg, r, measured, func(r commissioning.Record) ([]byte, error) { return commissioning.Sign(r, key) }); err != nil {
		return nil, err
	}
	return check.Profile(measured), nil
}

func measureStop(ctx context.Context, dir string, p machine.Profile) ([]int64, error) {
	var ms []int64
	f := check.Answers(ctx, func() (driver.Driver, error) {
		d, err := drivers(Config{Dir: dir})(p)
		return measuring{d, &ms}, err
	})
	if f.State != check.OK {
		return nil, fmt.Errorf("%s: %s\n  %s", f.What, f.Text, f.Next)
	}
	return ms, nil
}

// measuring measures stops once its driver is open.
type measuring struct {
	driver.Driver
	ms *[]int64
}

// Open opens the driver and measures.
func (m measuring) Open(ctx context.Context) (err error) {
	if err := m.Driver.Open(ctx); err != nil {
		return err
	}
	*m.ms, err = commissioning.StopAnswers(ctx, m.Driver, commissioning.StopTries)
	return err
}

func keepCommissioning(cfg CommissionConfig, r commissioning.Record, p machine.Profile, sign func(commissioning.Record) ([]byte, error)) error {
	record, err := sign(r)
	if err != nil {
		return err
	}
	profile, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		return err
	}
	stamp := cfg.Now.UTC().Format("20060102T150405Z")
	for _, f := range []struct {
		name, what string
		data       []byte
	}{{"commissioning-" + stamp + ".json", "what was measured, signed by this worker", record}, {"profile-" + stamp + ".json", "the profile with it, for the machine's set-up at the server", profile}} {
		path := filepath.Join(cfg.Dir, f.name)
		if err := keyring.Write(path, string(f.data)); err != nil {
			return err
		}
		if _, err := fmt.Fprintf(cfg.Out, "\nwrote %s\n  %s\n", path, f.what); err != nil {
			return err
		}
	}
	return nil
}
