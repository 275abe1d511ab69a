package workerd_test

import (
	"encoding/json"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfgate/deploy/demo"
	"kerfgate/deploy/keyring"
	"kerfgate/deploy/workerd"
	"kerfgate/plan/machine"
	"kerfgate/worker"
	"kerfgate/worker/check"
	"kerfgate/worker/commissioning"
	"kerfgate/worker/driver/drivertest/emulator"
	"kerfgate/worker/driver/drivertest/pty"
	"kerfgate/worker/journal"
)

// enrolled is a worker's folder as one that was made on the server's own computer.
func enrolled(t *testing.T) string {
	t.Helper()
	keys, err := keyring.Open(t.TempDir(), "workshop")
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "worker")
	if _, err := workerd.Enrol(dir, keys.PermitPublic, keys.LogPublic); err != nil {
		t.Fatal(err)
	}
	return dir
}

func text(t *testing.T, p machine.Profile) []byte {
	t.Helper()
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// onPort is a whole profile of a machine at a serial port.
func onPort(path string) machine.Profile {
	p := emulator.Profile()
	p.CutOff = machine.CutOff{Tested: true, CablePulledMS: 300, WorkerKilledMS: 300, HostSuspendedMS: 300, Means: "a timer of its own"}
	p.Driver = machine.Driver{Kind: machine.DriverSerial, Dialect: emulator.SerialDialect(),
		Port: &machine.Port{Path: path, Baud: 115_200, DataBits: 8, StopBits: 1, Parity: machine.ParityNone}}
	p.Driver.Dialect.WakesWithinMS = 300
	return p
}

// plugged is a carriage at a port.
func plugged(t *testing.T) (path string, c *emulator.Carriage) {
	t.Helper()
	master, path, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	keep, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	c = emulator.New(emulator.Config{Counts: true, Locks: true, Say: func(text string) { _, _ = io.WriteString(master, text+"\n") }})
	stop, ended := make(chan struct{}), make(chan struct{})
	go c.Run(stop)
	go func() {
		defer close(ended)
		b := make([]byte, 256)
		for {
			n, err := master.Read(b)
			if err != nil {
				return
			}
			c.Feed(b[:n])
		}
	}()
	t.Cleanup(func() {
		close(stop)
		master.Close()
		<-ended
		keep.Close()
	})
	return path, c
}

func find(all []check.Finding, what string, state check.State, words string) bool {
	return slices.ContainsFunc(all, func(f check.Finding) bool {
		return f.What == what && f.State == state && strings.Contains(f.Text+" "+f.Next, words)
	})
}

// TestCheckGood: a set-up without faults says so, for an imaginary machine and for one at a port.
func TestCheckGood(t *testing.T) {
	t.Parallel()
	path, _ := plugged(t)
	for name, p := range map[string]machine.Profile{"simulated": demo.Plotter(), "serial": onPort(path)} {
		all := workerd.Check(t.Context(), workerd.CheckConfig{Dir: enrolled(t), Profile: text(t, p), Listen: "127.0.0.1:0"})
		if check.Faulty(all) || !find(all, "machine", check.OK, "answers") || !find(all, "folder", check.OK, "fsync") || !find(all, "keys", check.OK, "pinned") {
			t.Errorf("%s: %+v", name, all)
		}
		var b strings.Builder
		if err := check.Print(&b, all); err != nil || strings.Count(b.String(), "\n") < len(all) {
			t.Errorf("%s: printed %q", name, b.String())
		}
	}
}

// TestCheckFaults: each fault is found under its name, with what to do.
func TestCheckFaults(t *testing.T) {
	t.Parallel()
	silent, path, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	used, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer used.Close()
	taken, _ := plugged(t)
	held, err := os.OpenFile(taken, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	lock(t, held)
	for name, c := range map[string]struct {
		profile     machine.Profile
		spoil       func(dir string) error
		listen      string
		what, words string
		state       check.State
	}{
		"no folder":  {profile: demo.Plotter(), spoil: os.RemoveAll, what: "folder", words: "worker enrol"},
		"no keys":    {profile: demo.Plotter(), spoil: func(dir string) error { return os.Remove(filepath.Join(dir, workerd.SeedFile)) }, what: "keys", words: "worker enrol"},
		"open key":   {profile: demo.Plotter(), spoil: func(dir string) error { return os.Chmod(filepath.Join(dir, workerd.SeedFile), 0o644) }, what: "keys", words: "chmod 600"},
		"no log key": {profile: demo.Plotter(), spoil: func(dir string) error { return os.Remove(filepath.Join(dir, workerd.LogFile)) }, what: "keys", words: "logbook.vkey"},
		"bad site":   {profile: demo.Plotter(), spoil: func(dir string) error { return os.WriteFile(filepath.Join(dir, "site.json"), []byte("{"), 0o600) }, what: "server", words: "site.json"},
		"server down": {profile: demo.Plotter(), spoil: func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "site.json"), []byte(`{"server":"http://127.0.0.1:1","broker":"nats://127.0.0.1:1"}`), 0o600)
		}, what: "server", words: "look at its address"},
		"broker down": {profile: demo.Plotter(), spoil: func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "site.json"), []byte(`{"server":"http://127.0.0.1:1","broker":"nats://127.0.0.1:1"}`), 0o600)
		}, what: "broker", words: "does not answer"},
		"listener":     {profile: demo.Plotter(), listen: used.Addr().String(), what: "listener", words: "--listen"},
		"no port":      {profile: onPort("/dev/nowhere"), what: "port", words: "cable"},
		"held port":    {profile: onPort(taken), what: "port", words: "another process"},
		"silent":       {profile: onPort(path), what: "machine", words: "does not answer"},
		"no dialect":   {profile: func() machine.Profile { p := onPort(path); p.Driver.Dialect = nil; return p }(), what: "profile", words: "how the machine answers"},
		"garbled":      {profile: func() machine.Profile { p := onPort("/dev/nowhere"); p.Driver.Dialect.Taken = "^have"; return p }(), what: "profile", words: "garbled", state: check.Warning},
		"untested":     {profile: func() machine.Profile { p := onPort("/dev/nowhere"); p.CutOff.Tested = false; return p }(), what: "cut-off", words: "no beam runs"},
		"slow cut-off": {profile: func() machine.Profile { p := onPort("/dev/nowhere"); p.CutOff.WorkerKilledMS = 1001; return p }(), what: "cut-off", words: "spring return"},
		"blind toggle": {profile: func() machine.Profile {
			p := onPort("/dev/nowhere")
			p.Tools[0].Switch.Kind = machine.SwitchToggle
			return p
		}(), what: "switch", words: "sensor"},
		"no program": {profile: func() machine.Profile {
			p := onPort("")
			p.Driver.Kind, p.Driver.Program = machine.DriverProgram, &machine.Program{Command: []string{"/nowhere"}}
			return p
		}(), what: "program", words: "command"},
		"no profile": {what: "profile", words: "--profile", state: check.Warning},
	} {
		dir := enrolled(t)
		if c.spoil != nil {
			if err := c.spoil(dir); err != nil {
				t.Fatal(err)
			}
		}
		cfg := workerd.CheckConfig{Dir: dir, Listen: "127.0.0.1:0"}
		if c.listen != "" {
			cfg.Listen = c.listen
		}
		if c.profile.Name != "" {
			cfg.Profile = text(t, c.profile)
		}
		if c.state == "" {
			c.state = check.Fault
		}
		if all := workerd.Check(t.Context(), cfg); !find(all, c.what, c.state, c.words) {
			t.Errorf("%s: not found in %+v", name, all)
		}
	}
}

// TestCheckBesideAWorker: a worker that runs keeps its port and its journal, and the check says so.
func TestCheckBesideAWorker(t *testing.T) {
	t.Parallel()
	dir := enrolled(t)
	folder, err := worker.OpenFolder(filepath.Join(dir, "journal"))
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	j, err := journal.Open(folder)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	all := workerd.Check(t.Context(), workerd.CheckConfig{Dir: dir, Profile: text(t, demo.Plotter()), Listen: "127.0.0.1:0"})
	if check.Faulty(all) || !find(all, "journal", check.Warning, "a worker runs there") || !find(all, "machine", check.Skipped, "has it") {
		t.Errorf("%+v", all)
	}
}

// TestWallClock: the server's time is compared, and no deadline hangs on it.
func TestWallClock(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC)
	if f := check.WallClock(at, at.Add(time.Second)); f.State != check.OK {
		t.Errorf("%+v", f)
	}
	if f := check.WallClock(at, at.Add(-time.Minute)); f.State != check.Warning || !strings.Contains(f.Text, "1m0s") {
		t.Errorf("%+v", f)
	}
}

// TestCommission: what is answered and measured is written down, signed, and makes a profile on which a
// beam may run or not (I15).
func TestCommission(t *testing.T) {
	t.Parallel()
	path, carriage := plugged(t)
	p := onPort(path)
	p.CutOff = machine.CutOff{}
	for name, c := range map[string]struct {
		cable string
		fault bool
	}{"quick": {"250 310 280", false}, "slow": {"900 1200 1000", true}, "not measured": {"", true}, "mistyped first": {"soon\n300\n300 290 310", false}} {
		dir := enrolled(t)
		answers := strings.Join([]string{c.cable, "240 260 250", "300 300 300", "a timer of its own", "level", "no", "12 18 15 15 15", "4 5 3 4 4", "60 70 60 60 60", "1000 1030 990 1000 1000", "500 520 510 500 500", "118", ""}, "\n") + "\n"
		var out strings.Builder
		at := time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC)
		all, err := workerd.Commission(t.Context(), workerd.CommissionConfig{CheckConfig: workerd.CheckConfig{Dir: dir, Profile: text(t, p)},
			In: strings.NewReader(answers), Out: &out, Now: at})
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out.String())
		}
		if check.Faulty(all) != c.fault {
			t.Errorf("%s: %+v", name, all)
		}
		file, err := os.ReadFile(filepath.Join(dir, "commissioning-20261125T140000Z.json"))
		if err != nil {
			t.Fatal(err)
		}
		r, key, err := commissioning.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		own, err := keyring.ReadSeed(filepath.Join(dir, workerd.SeedFile))
		if err != nil {
			t.Fatal(err)
		}
		if public, err := own.PublicKey(); err != nil || public != key || len(r.AnsweredMS) != 5 || !r.At.Equal(at) {
			t.Errorf("%s: key %s, record %+v, %v", name, key, r, err)
		}
		if _, _, err := commissioning.Open([]byte(strings.Replace(string(file), "240", "140", 1))); err == nil {
			t.Errorf("%s: a record that was changed still opens", name)
		}
		var after machine.Profile
		data, err := os.ReadFile(filepath.Join(dir, "profile-20261125T140000Z.json"))
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(data, &after); err != nil {
			t.Fatal(err)
		}
		s := after.Tools[0].Switch
		if s.Kind != machine.SwitchLevel || s.OnDelayMS != 15 || s.OffDelayMS != 4 || s.JitterMS != 6 || after.PlacingX.RepeatErrorUM != 40 || after.Air.CommissionedPa != 118 {
			t.Errorf("%s: %+v, %+v, %+v", name, s, after.PlacingX, after.Air)
		}
		if worst, ok := after.CutOff.Worst(); name == "quick" && (!ok || worst != 310) || name == "not measured" && ok {
			t.Errorf("%s: cut-off %+v", name, after.CutOff)
		}
	}
	if lines, _ := carriage.Burned(); len(lines) > 0 {
		t.Error("the carriage burned")
	}
}
