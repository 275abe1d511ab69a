// Command kerfgate turns drawings into finished, logged runs behind a signed checklist.
//
// kerfgate try starts everything on this computer with simulated machines; kerfgate help lists the
// rest. Only this file reads flags and the environment.
package main

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"github.com/google/uuid"
	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql
	"golang.org/x/mod/sumdb/note"

	"kerfgate/api"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/logbook"
	"kerfgate/db/migration"
	"kerfgate/deploy/backup"
	"kerfgate/deploy/given"
	"kerfgate/deploy/hazardfile"
	"kerfgate/deploy/keyring"
	"kerfgate/deploy/planfile"
	"kerfgate/deploy/serve"
	"kerfgate/deploy/setup"
	"kerfgate/deploy/try"
	"kerfgate/deploy/workerd"
	"kerfgate/plan/hazard/quantity"
	"kerfgate/plan/material"
	"kerfgate/queue/broker"
	"kerfgate/worker/check"
)

type commands struct {
	Verbose bool `help:"Log everything, not only what a person should look at." short:"v" env:"KERFGATE_VERBOSE"`

	Try        tryCommand        `cmd:"" help:"Start everything here, with simulated machines and a demo workshop."`
	Serve      serveCommand      `cmd:"" help:"Run the server against a Postgres and a broker that exist."`
	Worker     workerCommands    `cmd:"" help:"Run the worker of one machine; enrol it, replace its key, accept a new server epoch."`
	Enrol      enrolCommand      `cmd:"" help:"Make the one-time code with which a worker or a station joins the site."`
	ReplaceKey replaceKeyCommand `cmd:"" help:"Replace the site's permit key or log key; the old one signs for the new."`
	Person     personCommand     `cmd:"" help:"Add an account; its password is read from standard input."`
	Invite     inviteCommand     `cmd:"" help:"Print a link by which somebody chooses sign-in name and password, once: the first admin too."`
	Machine    machineCommand    `cmd:"" help:"Add a machine, or let a person operate it."`
	Migrate    migrateCommand    `cmd:"" help:"Bring the database to this version's schema, as its owner role."`
	Roles      rolesCommand      `cmd:"" help:"Print the SQL that makes roles and database on a shared Postgres."`
	Broker     brokerCommand     `cmd:"" help:"Print the configuration of a broker of its own for the enrolled workers."`
	Logbook    logbookCommand    `cmd:"" help:"Look after the logbook."`
	Plan       planCommand       `cmd:"" help:"Plan a drawing on paper: no database, no machine. Exit status: 0 planned, 2 called wrongly, 3 refused."`
	Hazards    hazardsCommand    `cmd:"" help:"Hazard numbers of a machine's beam and air, or of a file of cases. Exit status: 0 all computed, 2 called wrongly, 3 any refused."`
	Backup     backupCommand     `cmd:"" help:"Write the database to one file."`
	Restore    restoreCommand    `cmd:"" help:"Fill an empty database from a backup; closed until every worker's journal was heard or written off."`
}

func main() {
	var c commands
	parser := kong.Must(&c, kong.Name("kerfgate"), kong.Description("Drawings to finished, logged runs behind a signed checklist."),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	args := os.Args[1:]
	if len(args) == 0 {
		args = []string{"--help"}
	}
	run, err := parser.Parse(args)
	if err != nil {
		fail(calledWrongly(err))
	}
	level := slog.LevelWarn
	if c.Verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: level}))
	slog.SetDefault(log)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	run.BindTo(ctx, (*context.Context)(nil))
	if err := run.Run(log); err != nil {
		fail(err)
	}
}

// fail says why and ends with the exit status of the error, 1 if it has none.
func fail(err error) {
	fmt.Fprintf(os.Stderr, "kerfgate: %v\n", err)
	var check *logbook.CheckError
	if errors.As(err, &check) {
		os.Exit(check.Status)
	}
	var coded kong.ExitCoder
	if errors.As(err, &coded) {
		os.Exit(coded.ExitCode())
	}
	os.Exit(1)
}

// calledWrongly is what is wrong with a command line, and which help to read. plan and hazards have an exit status of their
// own for it.
func calledWrongly(err error) error {
	command := "kerfgate"
	var parsed *kong.ParseError
	if errors.As(err, &parsed) && parsed.Context != nil {
		if node := parsed.Context.Selected(); node != nil {
			command = node.FullPath()
		}
	}
	next := command + " --help shows what it takes"
	if command == "kerfgate plan" || command == "kerfgate hazards" {
		return &given.UsageError{What: err.Error(), Next: next}
	}
	return fmt.Errorf("%w\n  next: %s", err, next)
}

type tryCommand struct {
	Data   string `help:"Folder for everything that is kept." default:".kerfgate" env:"KERFGATE_DATA_DIR" type:"path"`
	Listen string `help:"Address of the pages, on loopback." default:"127.0.0.1:8180" env:"KERFGATE_LISTEN"`
	PGBin  string `help:"Folder that holds initdb and postgres; looked for when empty." env:"KERFGATE_PG_BIN" type:"path" name:"pg-bin"`
}

func (t *tryCommand) Run(ctx context.Context, log *slog.Logger) error {
	limitServer()
	program, err := os.Executable()
	if err != nil {
		return err
	}
	return try.Run(ctx, try.Config{Dir: t.Data, Listen: t.Listen, PGBin: t.PGBin, Program: program, Out: os.Stdout, Log: log})
}

type serveCommand struct {
	Database     string   `help:"Postgres, signed in as kerfgate_app." required:"" env:"KERFGATE_DATABASE_URL"`
	Broker       string   `help:"Address of a broker that exists; tls:// off loopback." env:"KERFGATE_BROKER_URL" name:"broker-url" xor:"broker" required:""`
	BrokerListen string   `help:"Run the broker in this process and listen here; it knows the enrolled workers by itself." env:"KERFGATE_BROKER_LISTEN" xor:"broker" required:""`
	BrokerData   string   `help:"Folder of the broker in this process." default:"broker" env:"KERFGATE_BROKER_DATA" type:"path"`
	Keys         string   `help:"Folder of the site's keys; made if missing." required:"" env:"KERFGATE_KEYS" type:"path"`
	Site         string   `help:"Name of the site, one word." default:"workshop" env:"KERFGATE_SITE"`
	Kind         string   `help:"workshop or alone." enum:"workshop,alone" default:"workshop" env:"KERFGATE_SITE_KIND"`
	Listen       string   `help:"Address of the pages." default:"127.0.0.1:8180" env:"KERFGATE_LISTEN"`
	Host         []string `help:"Name or address by which stations and workers reach this server; the site's CA signs for it. This computer's own if left out." env:"KERFGATE_HOST"`
	Cert         string   `help:"TLS certificate from elsewhere; off loopback the site's own CA makes one if left out." env:"KERFGATE_TLS_CERT" type:"path"`
	Key          string   `help:"TLS key." env:"KERFGATE_TLS_KEY" type:"path"`
	CA           string   `help:"Certificate of the authority that signed it, for workers to pin." env:"KERFGATE_TLS_CA" type:"path" name:"ca"`
}

func (s *serveCommand) Run(ctx context.Context, log *slog.Logger) error {
	limitServer()
	keys, err := keyring.Open(s.Keys, s.Site)
	if err != nil {
		return err
	}
	reach, err := serve.Network{Listen: s.Listen, Hosts: s.Host, Cert: s.Cert, Key: s.Key, CA: s.CA, Keys: keys, KeyDir: s.Keys, Site: s.Site}.Open(ctx)
	if err != nil {
		return err
	}
	cfg := serve.Config{DatabaseURL: s.Database, BrokerURL: s.Broker, Keys: keys, Listener: reach.Listener, TLS: reach.TLS, Log: log,
		Trust: reach.Trust, CA: reach.CA, Hosts: reach.Hosts, WorkerBrokerURL: s.Broker, Origin: reach.Origin,
		Site: db.Site{Name: s.Site, Kind: s.Kind}, Folders: map[string]string{"keys": s.Keys}, Failpoint: failpoint(s.Keys)}
	ready := func(server *serve.Server) {
		scheme, _, _ := strings.Cut(reach.Origin, ":")
		if reach.CA != nil {
			fmt.Printf("stations and workers reach it at %s\nfingerprint of the site's CA (SHA-256) %s\n", reach.Origin, reach.CA.Fingerprint())
		}
		fmt.Printf("ready %s://%s\n", scheme, reach.Listener.Addr())
		if has, err := server.Store.HasAdmin(ctx); err == nil && !has {
			fmt.Printf("this site has no admin yet; make the first one's link with: kerfgate invite --name … --role %s --origin %s\n",
				firstRole(s.Kind), reach.Origin)
		}
	}
	if s.BrokerListen != "" {
		cfg.Folders["broker"] = s.BrokerData
		own, err := serve.NewOwnBroker(s.BrokerListen, s.BrokerData, reach, cfg)
		if err == nil {
			err = own.RunWith(ctx, cfg, ready)
		}
		return errors.Join(err, closed(reach.Listener.Close()))
	}
	server, err := serve.Open(ctx, cfg)
	if err != nil {
		return errors.Join(err, reach.Listener.Close())
	}
	ready(server)
	return server.Run(ctx)
}

// firstRole is the role that a site's first person needs.
func firstRole(kind string) db.Role {
	if kind == db.SiteAlone {
		return db.RoleAll
	}
	return db.RoleAdmin
}

// closed is the error of closing what may have been closed before.
func closed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

type workerCommands struct {
	Run         workerCommand      `cmd:"" default:"withargs" help:"Run the worker."`
	Enrol       workerEnrolCommand `cmd:"" help:"Join a site with a one-time code: makes this worker's key, pins the server's."`
	ReplaceKey  replaceOwnCommand  `cmd:"" help:"Put another key in the place of the worker's own, with its worker stopped."`
	AcceptEpoch acceptEpochCommand `cmd:"" help:"Accept a restored server, at the machine, with its worker stopped."`
	Check       workerCheckCommand `cmd:"" help:"Say what is wrong with the set-up, before anything moves. Exit status: 0 good, 1 a fault."`
	Commission  commissionCommand  `cmd:"" help:"Measure and ask what must be known before a beam runs; nothing moves. Exit status: 0 a beam may run, 1 not."`
}

type workerCommand struct {
	Dir     string    `help:"The worker's folder, made by worker enrol." required:"" env:"KERFGATE_WORKER_DIR" type:"path"`
	Machine uuid.UUID `help:"The machine's id; the folder knows it." env:"KERFGATE_MACHINE"`
	Broker  string    `help:"Broker address, tls:// off loopback; the folder knows it." env:"KERFGATE_BROKER_URL"`
	Listen  string    `help:"Address of stop, attendance and status." default:"127.0.0.1:0" env:"KERFGATE_WORKER_LISTEN"`
	Host    string    `help:"Name or address by which stations reach this computer, if it is not the one from which it reaches its server." env:"KERFGATE_WORKER_HOST"`
	Origin  string    `help:"The server's web origin, which may read this listener's answers; the folder knows it." env:"KERFGATE_ORIGIN"`
}

func (w *workerCommand) Run(ctx context.Context, log *slog.Logger) error {
	return workerd.Run(ctx, workerd.Config{Dir: w.Dir, Machine: w.Machine, BrokerURL: w.Broker, Listen: w.Listen, Host: w.Host, Origin: w.Origin, Log: log,
		Failpoint: failpoint(w.Dir), Service: service(), Listening: func(url string) { fmt.Println("listening " + url) }})
}

// service is what the service manager that started this process wants to hear (sd_notify(3)).
func service() *workerd.Service {
	s := &workerd.Service{Socket: os.Getenv("NOTIFY_SOCKET")}
	if us, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64); err == nil && us > 0 {
		s.Watchdog = time.Duration(us) * time.Microsecond
	}
	return s
}

type workerCheckCommand struct {
	Dir     string `help:"The worker's folder." required:"" env:"KERFGATE_WORKER_DIR" type:"path"`
	Profile []byte `help:"Profile as JSON, for a worker that has not heard of its own yet." type:"filecontent"`
	Listen  string `help:"Address of stop, attendance and status." default:"127.0.0.1:0" env:"KERFGATE_WORKER_LISTEN"`
	JSON    bool   `help:"Print the findings as JSON." name:"json"`
}

func (w *workerCheckCommand) Run(ctx context.Context) error {
	return told(workerd.Check(ctx, workerd.CheckConfig{Dir: w.Dir, Profile: w.Profile, Listen: w.Listen}), w.JSON)
}

// told prints findings; its error says that one of them is a fault.
func told(all []check.Finding, asJSON bool) error {
	var err error
	if asJSON {
		e := json.NewEncoder(os.Stdout)
		e.SetIndent("", "  ")
		err = e.Encode(all)
	} else {
		err = check.Print(os.Stdout, all)
	}
	if err == nil && check.Faulty(all) {
		return errors.New("the set-up has faults")
	}
	return err
}

type commissionCommand struct {
	Dir     string `help:"The worker's folder; its worker stopped." required:"" env:"KERFGATE_WORKER_DIR" type:"existingdir"`
	Profile []byte `help:"Profile as JSON, for a worker that has not heard of its own yet." type:"filecontent"`
	Tool    string `help:"The profile's tool; its first if left out."`
}

func (c *commissionCommand) Run(ctx context.Context) error {
	all, err := workerd.Commission(ctx, workerd.CommissionConfig{CheckConfig: workerd.CheckConfig{Dir: c.Dir, Profile: c.Profile},
		Tool: c.Tool, In: os.Stdin, Out: os.Stdout, Now: time.Now()})
	if err != nil {
		return err
	}
	fmt.Println()
	return told(all, false)
}

type acceptEpochCommand struct {
	Dir   string `help:"The worker's folder." required:"" env:"KERFGATE_WORKER_DIR" type:"existingdir"`
	Epoch string `arg:"" help:"The new server epoch as restore printed it: 32 hexadecimal digits."`
}

func (a *acceptEpochCommand) Run() error {
	told, err := workerd.AcceptEpoch(a.Dir, a.Epoch)
	if err == nil {
		fmt.Printf("accepted: what was prepared is forgotten, and the server will be told of %d burned runs\nstart the worker again\n", told)
	}
	return err
}

// failpoint ends this process as kill -9 would, once, at the step that the file "failpoint" in the
// folder names; only tests switch it on.
func failpoint(dir string) func(name string) {
	if os.Getenv("KERFGATE_FAILPOINTS") == "" {
		return nil
	}
	return func(name string) {
		path := filepath.Join(dir, "failpoint")
		wanted, err := os.ReadFile(path)
		if err != nil || strings.TrimSpace(string(wanted)) != name {
			return
		}
		if err := os.Rename(path, path+".hit"); err == nil {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL) // it cannot fail for oneself
			select {}
		}
	}
}

type workerEnrolCommand struct {
	Dir    string `help:"The worker's folder; made if missing." required:"" env:"KERFGATE_WORKER_DIR" type:"path"`
	Server string `help:"The server's address, such as https://kerfgate.local:8180." required:"" env:"KERFGATE_SERVER"`
	Code   string `help:"The one-time code." required:""`
}

func (e *workerEnrolCommand) Run(ctx context.Context) error {
	machine, err := workerd.EnrolByCode(ctx, e.Dir, e.Server, e.Code)
	if err == nil {
		fmt.Printf("enrolled for machine %s\nstart the worker with: kerfgate worker --dir %s\n", machine, e.Dir)
	}
	return err
}

type replaceOwnCommand struct {
	Dir string `help:"The worker's folder." required:"" env:"KERFGATE_WORKER_DIR" type:"existingdir"`
}

func (r *replaceOwnCommand) Run(ctx context.Context) error {
	public, err := workerd.ReplaceKey(ctx, r.Dir)
	if err == nil {
		fmt.Printf("the worker's key is now %s\nstart the worker again\n", public)
	}
	return err
}

type enrolCommand struct {
	Worker  enrolWorkerCommand  `cmd:"" help:"Make a one-time code for the worker of a machine."`
	Station enrolStationCommand `cmd:"" help:"Make a one-time code for a station at a machine."`
}

type enrolWorkerCommand struct {
	siteFlags
	Machine uuid.UUID `help:"The machine's id." required:""`
}

func (e *enrolWorkerCommand) Run(ctx context.Context) error {
	site, err := e.open()
	if err != nil {
		return err
	}
	code, until, err := site.WorkerCode(ctx, e.Machine)
	if err == nil {
		fmt.Printf("%s\ngood once, until %s; at the machine:\n  kerfgate worker enrol --dir FOLDER --server URL --code %s\n", code, until.Local().Format("15:04:05"), code)
	}
	return err
}

type enrolStationCommand struct {
	siteFlags
	Machine uuid.UUID `help:"The machine's id." required:""`
	Name    string    `help:"What the station is and where it stands." required:""`
}

func (e *enrolStationCommand) Run(ctx context.Context) error {
	site, err := e.open()
	if err != nil {
		return err
	}
	code, until, err := site.StationCode(ctx, e.Machine, e.Name)
	if err == nil {
		fmt.Printf("%s\ngood once, until %s; on the device, at the server's address: /station-enrol\n", code, until.Local().Format("15:04:05"))
	}
	return err
}

type replaceKeyCommand struct {
	siteFlags
	Name string `arg:"" help:"permit or logbook." enum:"permit,logbook"`
}

func (r *replaceKeyCommand) Run(ctx context.Context) error {
	site, err := r.open()
	if err != nil {
		return err
	}
	number, public, err := site.ReplaceKey(ctx, r.Name)
	if err == nil {
		fmt.Printf("replacement %d of the %s key: %s\nservers end by themselves and take it when they start again; workers and stations follow\n", number, r.Name, public)
	}
	return err
}

// siteFlags say which site a command that changes it is for.
type siteFlags struct {
	Database string `help:"Postgres, signed in as kerfgate_app." required:"" env:"KERFGATE_DATABASE_URL"`
	Keys     string `help:"Folder of the site's keys." required:"" env:"KERFGATE_KEYS" type:"existingdir"`
	Site     string `help:"Name of the site." default:"workshop" env:"KERFGATE_SITE"`
}

func (s siteFlags) open() (setup.Site, error) {
	keys, err := keyring.Open(s.Keys, s.Site)
	return setup.Site{DatabaseURL: s.Database, Name: s.Site, KeyDir: s.Keys, Keys: keys}, err
}

type personCommand struct {
	siteFlags
	SignIn string `help:"Sign-in name." required:""`
	Name   string `help:"What the person is called." required:""`
	Role   string `help:"member, officer or admin; all on a site of one." enum:"member,officer,admin,all" default:"member"`
}

func (p *personCommand) Run(ctx context.Context) error {
	site, err := p.open()
	if err != nil {
		return err
	}
	line, err := bufio.NewReader(io.LimitReader(os.Stdin, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	id, err := site.Person(ctx, p.SignIn, p.Name, db.Role(p.Role), strings.TrimRight(line, "\r\n"))
	if err == nil {
		fmt.Println(id)
	}
	return err
}

type inviteCommand struct {
	siteFlags
	Name   string `help:"Whom it is for." required:"" xor:"whom"`
	SignIn string `help:"Sign-in name of an account that needs a new password." required:"" xor:"whom"`
	Role   string `help:"member, officer or admin; all on a site of one." enum:"member,officer,admin,all" default:"member"`
	Origin string `help:"Address of the pages, as people reach them." default:"http://127.0.0.1:8180" env:"KERFGATE_ORIGIN"`
}

func (i *inviteCommand) Run(ctx context.Context) error {
	site, err := i.open()
	if err != nil {
		return err
	}
	path, until, err := site.Invite(ctx, i.SignIn, db.Invitation{Name: i.Name, Role: db.Role(i.Role)})
	if err == nil {
		fmt.Printf("%s%s\nworks once, until %s\n", strings.TrimRight(i.Origin, "/"), path, until.Local().Format("2 January 2006 15:04"))
	}
	return err
}

type machineCommand struct {
	Add       machineAddCommand `cmd:"" help:"Add a machine with its profile."`
	Profile   profileCommand    `cmd:"" help:"Publish another version of a machine's profile, as after commissioning; open sign-offs are void by it."`
	Authorise authoriseCommand  `cmd:"" help:"Let a person operate a machine."`
}

type profileCommand struct {
	siteFlags
	Machine uuid.UUID `help:"The machine's id." required:""`
	Profile []byte    `help:"Profile as JSON; plan/machine/profile.go names the fields." required:"" type:"filecontent"`
}

func (p *profileCommand) Run(ctx context.Context) error {
	site, err := p.open()
	if err != nil {
		return err
	}
	digest, err := site.Profile(ctx, p.Machine, p.Profile)
	if err == nil {
		fmt.Println(digest)
	}
	return err
}

type machineAddCommand struct {
	siteFlags
	Bay     string `help:"Where it stands, such as Bay 1." required:""`
	Name    string `help:"What it is called." required:""`
	Tool    string `help:"The profile's tool that is on the carriage." required:""`
	Profile []byte `help:"Profile as JSON; plan/machine/profile.go names the fields." required:"" type:"filecontent"`
}

func (m *machineAddCommand) Run(ctx context.Context) error {
	site, err := m.open()
	if err != nil {
		return err
	}
	id, err := site.Machine(ctx, db.NewMachine{Bay: m.Bay, Name: m.Name, Tool: m.Tool}, m.Profile)
	if err == nil {
		fmt.Println(id)
	}
	return err
}

type authoriseCommand struct {
	siteFlags
	SignIn  string    `help:"Sign-in name of the person." required:""`
	Machine uuid.UUID `help:"The machine's id." required:""`
	Days    int       `help:"For how many days." default:"365"`
	// Evidence is asked, since an authorisation without one tells nobody anything later.
	Evidence   string   `help:"What showed that the person can: a course, a supervised run." required:""`
	IdleMonths int64    `help:"Months without a run on it after which a refresher is due; 0 for none." default:"6"`
	Group      []string `help:"A group of materials that it covers, as the page of a material names it; may stand several times. None: every material."`
}

func (a *authoriseCommand) Run(ctx context.Context) error {
	site, err := a.open()
	if err != nil {
		return err
	}
	groups := make([]material.Group, len(a.Group))
	for i, word := range a.Group {
		groups[i] = material.Group(word)
	}
	return site.Authorise(ctx, a.SignIn, db.NewAuthorisation{Machine: a.Machine, Until: time.Now().AddDate(0, 0, a.Days),
		Evidence: a.Evidence, IdleMonths: a.IdleMonths, Groups: groups})
}

type migrateCommand struct {
	Database string `help:"Postgres, signed in as kerfgate_owner." required:"" env:"KERFGATE_OWNER_URL"`
}

func (m *migrateCommand) Run(ctx context.Context) error {
	if err := db.CheckURL(m.Database); err != nil {
		return err
	}
	owner, err := sql.Open("pgx", m.Database)
	if err != nil {
		return err
	}
	return errors.Join(migration.Up(ctx, owner), owner.Close())
}

type rolesCommand struct{}

func (rolesCommand) Run() { fmt.Print(cluster.RolesSQL()) }

type brokerCommand struct {
	ServerKey string            `help:"The server's public key." required:""`
	Worker    map[string]string `help:"machine-id=public-key, for each worker."`
}

func (b *brokerCommand) Run() error {
	workers := make(map[uuid.UUID]string, len(b.Worker))
	for id, key := range b.Worker {
		machine, err := uuid.Parse(id)
		if err != nil {
			return fmt.Errorf("machine %q: %w", id, err)
		}
		workers[machine] = key
	}
	text, err := broker.ConfigText(b.ServerKey, workers)
	if err == nil {
		fmt.Print(text)
	}
	return err
}

type backupCommand struct {
	Write backupWriteCommand `cmd:"" default:"withargs" help:"Write a backup."`
	Try   backupTryCommand   `cmd:"" help:"Put a backup back into a database of its own, check the logbook there, and throw it away."`
}

type backupTryCommand struct {
	Database string `help:"The site's Postgres, signed in as kerfgate_owner, where it is noted; left out it is not." env:"KERFGATE_OWNER_URL"`
	Keys     string `help:"Folder of the site's keys." required:"" env:"KERFGATE_KEYS" type:"existingdir"`
	Site     string `help:"Name of the site." default:"workshop" env:"KERFGATE_SITE"`
	PGBin    string `help:"Folder that holds initdb, postgres and pg_restore; looked for when empty." env:"KERFGATE_PG_BIN" type:"path" name:"pg-bin"`
	File     string `arg:"" help:"The backup." type:"existingfile"`
}

func (b *backupTryCommand) Run(ctx context.Context) error {
	keys, err := keyring.Open(b.Keys, b.Site)
	if err != nil {
		return err
	}
	report, err := backup.Trial(ctx, b.PGBin, b.File, keys)
	look := db.CareTaken{Good: err == nil, Said: filepath.Base(b.File), LogSize: report.Entries}
	if err == nil {
		fmt.Printf("good: %s can be restored; %d entries of the logbook, %d runs and %d permits were checked there\n", b.File, report.Entries, report.Runs, report.Permits)
	} else {
		look.Said += ": " + err.Error()
	}
	if b.Database != "" {
		err = errors.Join(err, backup.Database{URL: b.Database}.Note(ctx, db.BackupTried, look))
	}
	return err
}

type backupWriteCommand struct {
	Database string `help:"Postgres, signed in as kerfgate_owner." required:"" env:"KERFGATE_OWNER_URL"`
	PGBin    string `help:"Folder that holds pg_dump; looked for when empty." env:"KERFGATE_PG_BIN" type:"path" name:"pg-bin"`
	File     string `arg:"" help:"File to write; it must not exist." type:"path"`
}

func (b *backupWriteCommand) Run(ctx context.Context) error {
	base := backup.Database{URL: b.Database, PGBin: b.PGBin}
	if err := base.Write(ctx, b.File); err != nil {
		return err
	}
	if err := base.Note(ctx, db.BackupWritten, db.CareTaken{Good: true, Said: filepath.Base(b.File)}); err != nil {
		return fmt.Errorf("%s is written and whole, but could not be noted for the page of the site: %w", b.File, err)
	}
	fmt.Printf("wrote %s\nkeep the folder of keys too, but elsewhere: who holds both can sign anything\n", b.File)
	return nil
}

type restoreCommand struct {
	From     restoreFromCommand `cmd:"" default:"withargs" help:"Restore a backup."`
	WriteOff writeOffCommand    `cmd:"" help:"Open the site without the journal of a machine whose worker's folder is lost."`
}

type restoreFromCommand struct {
	Database string   `help:"An empty Postgres database, signed in as kerfgate_owner." required:"" env:"KERFGATE_OWNER_URL"`
	Keys     string   `help:"Folder of the site's keys." required:"" env:"KERFGATE_KEYS" type:"existingdir"`
	Site     string   `help:"Name of the site." default:"workshop" env:"KERFGATE_SITE"`
	PGBin    string   `help:"Folder that holds pg_restore; looked for when empty." env:"KERFGATE_PG_BIN" type:"path" name:"pg-bin"`
	Head     [][]byte `help:"Signed heads kept elsewhere (files); the longest proves what the backup lacks." type:"filecontent"`
	File     string   `arg:"" help:"The backup." type:"existingfile"`
}

func (r *restoreFromCommand) Run(ctx context.Context) error {
	keys, err := keyring.Open(r.Keys, r.Site)
	if err != nil {
		return err
	}
	done, err := backup.Database{URL: r.Database, PGBin: r.PGBin}.Restore(ctx, r.File, keys, r.Head...)
	if err != nil {
		return err
	}
	if done.LostTo >= done.LostFrom {
		fmt.Printf("lost: logbook entries %d to %d, as a head kept elsewhere proves; the next entry says so\n", done.LostFrom, done.LostTo)
	}
	fmt.Printf("restored under server epoch %x\nno permit is issued until %d machines' journals were heard. At each machine, with its worker stopped:\n  kerfgate worker accept-epoch --dir FOLDER %x\nwhere a worker's folder is lost:\n  kerfgate restore write-off --machine ID --reason TEXT\n",
		done.Epoch, done.Awaited, done.Epoch)
	return nil
}

type writeOffCommand struct {
	siteFlags
	Machine uuid.UUID `help:"The machine's id." required:""`
	Reason  string    `help:"Why its worker cannot tell its journal; it stands in the logbook." required:""`
}

func (w *writeOffCommand) Run(ctx context.Context) error {
	site, err := w.open()
	if err != nil {
		return err
	}
	return site.WriteOffJournal(ctx, w.Machine, w.Reason)
}

type planCommand struct {
	File       string `arg:"" help:"The drawing."`
	Machine    string `help:"Profile as JSON; plan/machine/profile.go names the fields. Or an example: bay-1, bay-2, bay-3." required:""`
	Material   string `help:"Material as JSON, {\"name\": …, \"composition\": [{\"name\": \"cellulose\"}], \"verdict\": \"allowed\"}. Or an example: poplar-plywood, card, wool-felt." required:""`
	Tool       string `help:"The profile's tool; its first if left out."`
	Stock      string `help:"Lot as JSON, {\"thickness_um\": 3000, \"sheet_width_um\": …, \"sheet_height_um\": …}. Or an example: p118, c204, f061. Left out: the example material's, or 3 mm on a sheet as large as the travel."`
	Operations string `help:"Operations as JSON by the letters of the drawing's own groups, {\"A\": \"cut\", \"B\": \"mark\", \"default\": \"cut\"}."`
	Settings   string `help:"Settings as JSON, [{\"operation\": \"cut\", \"speed_um_per_s\": 14000, \"power_permille\": 800, \"passes\": 1, \"kerf_um\": 180, \"evidence\": …}]. Left out: the examples' own, or seeds that nobody has proven."`
	Choices    string `help:"Choices as JSON, {\"array\": {\"columns\": 3, \"rows\": 2, \"gap_um\": 3000}}; plan/choice.go names the fields."`
	Out        string `help:"Folder for picture.svg, picture.png, strip.svg, steps.json (what is where when), motion-lines.txt, dose.png, numbers.json and plan.cbor; files of these names in it are replaced."`
	JSON       bool   `help:"Print numbers.json instead of the summary." name:"json"`
}

const (
	// planMemory is what the garbage collector keeps a plan's memory under, where it can: the largest
	// drawings need more of its work and not more memory.
	planMemory = 900 << 20
	// serverMemory is for what else a server holds: 60 to 92 MiB with 200 screens and 50 submissions a second (BenchmarkLoad).
	serverMemory = 100 << 20
)

// limitMemory has the garbage collector keep the program under so many bytes, where it can, unless whoever started it
// said something else.
func limitMemory(most int64) {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(most)
	}
}

// limitServer is limitMemory for a server that makes as many plans at once as it does.
func limitServer() { limitMemory(serverMemory + int64(api.PlanSlots())*planMemory) }

func (p *planCommand) Run() error {
	limitMemory(planMemory)
	return planfile.Run(planfile.Config{File: p.File, Machine: p.Machine, Tool: p.Tool, Material: p.Material, Stock: p.Stock,
		Operations: p.Operations, Settings: p.Settings, Choices: p.Choices, Out: p.Out, JSON: p.JSON, Print: os.Stdout})
}

type hazardsCommand struct {
	Profile        string  `help:"Profile as JSON; plan/machine/profile.go names the fields. Or an example: bay-1, bay-2, bay-3."`
	Tool           string  `help:"The profile's tool; its first beam if left out."`
	Cases          string  `help:"File of cases, one JSON object a line; - for standard input."`
	JSON           bool    `help:"Print the sheet as JSON, unrounded; results of cases always are." name:"json"`
	BeamMM         float64 `help:"Diameter of the beam as it leaves the source, in mm, for a profile without it." name:"beam-mm"`
	DivergenceMrad float64 `help:"Full angle of the beam in milliradians, for a profile without it." name:"divergence-mrad"`
	FocalMM        float64 `help:"Focal length of the lens in mm." name:"focal-mm"`
	AtLensMM       float64 `help:"Diameter of the beam at the lens in mm." name:"at-lens-mm"`
	DuctMM         float64 `help:"Inside diameter of the duct in mm." name:"duct-mm"`
	RoomM3         float64 `help:"Volume of the room in m³." name:"room-m3"`
	FreshAir       float64 `help:"Outside air of the room in m³/h; a recirculating filter gives none." name:"fresh-air-m3-per-h"`
	Composition    string  `help:"Composition of the material, for the purge; unknown if left out."`
}

// Help lists the quantities.
func (hazardsCommand) Help() string { return hazardfile.Help() }

func (h *hazardsCommand) Run() error {
	return hazardfile.Run(hazardfile.Config{Profile: h.Profile, Tool: h.Tool, Cases: h.Cases, JSON: h.JSON, In: os.Stdin, Print: os.Stdout,
		More: quantity.Measures{BeamMM: h.BeamMM, DivergenceMrad: h.DivergenceMrad, FocalMM: h.FocalMM, AtLensMM: h.AtLensMM,
			DuctMM: h.DuctMM, RoomM3: h.RoomM3, FreshM3PerH: h.FreshAir, Composition: h.Composition}})
}

type logbookCommand struct {
	Check checkCommand `cmd:"" help:"Check an exported logbook offline. Exit status: 0 good, 1 cannot read, 2 log broken, 3 signature, 4 rule broken, 80 called wrongly."`
}

type checkCommand struct {
	File string   `arg:"" help:"Export file; - for standard input."`
	Head string   `help:"File with a signed head that was kept elsewhere; the log must be consistent with it."`
	Key  []string `help:"Verifier key that you trust (the text of logbook.vkey and permit.vkey). Of a key that was replaced the first is enough: the log tells its successors. Without any, the file's own keys show only that it agrees with itself."`
}

func (c *checkCommand) Run() error {
	options := logbook.Options{}
	if c.Head != "" {
		head, err := os.ReadFile(c.Head)
		if err != nil {
			return fmt.Errorf("the head cannot be read: %w\n  next: name a file that exists and that you may read", err)
		}
		options.EarlierHead = head
	}
	var verifiers []note.Verifier
	for _, key := range c.Key {
		v, err := note.NewVerifier(strings.TrimSpace(key))
		if err != nil {
			return fmt.Errorf("%q is no verifier key: %w\n  next: give the text of logbook.vkey or permit.vkey; both lie in the server's folder of keys", key, err)
		}
		verifiers = append(verifiers, v)
	}
	if len(verifiers) > 0 {
		options.Verifiers = note.VerifierList(verifiers...)
	}
	in := os.Stdin
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return fmt.Errorf("the export cannot be read: %w\n  next: name a file that exists and that you may read", err)
		}
		defer f.Close()
		in = f
	}
	report, err := logbook.Check(in, options)
	var bad *logbook.CheckError
	if errors.As(err, &bad) && bad.Status == logbook.StatusUnreadable {
		return fmt.Errorf("%w\n  next: export the logbook again, on its page or by GET /api/v1/logbook/export", err)
	}
	if err != nil {
		return err
	}
	fmt.Printf("good: %d entries, root %s\n%d of them under %d signed heads; %d runs, %d permits verified\n",
		report.Entries, report.Root, report.Covered, report.Heads, report.Runs, report.Permits)
	if report.Followed > 0 {
		fmt.Printf("%d keys are trusted because the key before each of them says so in the log\n", report.Followed)
	}
	if !report.TrustedKeys {
		fmt.Println("the keys came from the file itself: this shows only that it agrees with itself; give --key for more")
	}
	return nil
}
