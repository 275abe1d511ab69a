package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/logbook"
)

// When the page of the site asks somebody to look. Common practice, no source.
const (
	workerQuiet   = 30 * time.Second    // a worker asks for its state every five seconds
	backupOld     = 2 * 24 * time.Hour  // a day's work may be lost, and a night's backup may have failed
	trialOld      = 90 * 24 * time.Hour // a backup that was never put back is a hope
	checkOld      = 31 * 24 * time.Hour
	diskLeast     = 2 << 30 // bytes left
	diskLeastPart = 10      // per cent left
)

// sitePage is GET /site.
func (s *Server) sitePage(c echo.Context) error { return s.sendSite(c, http.StatusOK, nil) }

func (s *Server) sendSite(c echo.Context, status int, problem *web.Problem) error {
	h, steps, rows, err := s.siteHealth(c.Request().Context())
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.SiteView{Shell: s.shell(c, "Site", "/site"), Name: h.Site.Name, Kind: h.Site.Kind, Settled: h.Site.Settled, OpenedAt: s.local(h.Site.OpenedAt),
		MayAdmin: who.Person.Role.Admin(), MayOffice: who.Person.Role.Officer(), Alone: h.Site.Kind == db.SiteAlone, Contact: h.Site.Contact, Files: h.Limits.Files, MiB: h.Limits.MiB, Runs: h.Limits.Runs, Steps: steps, Health: rows}
	v.Problem = problem
	for _, x := range rows {
		if x.Look {
			v.ToLookAt++
		}
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderSite(w, v) })
}

// siteHealth is how the site stands, row by row, and what a new one still lacks.
func (s *Server) siteHealth(ctx context.Context) (db.Health, []web.SiteStep, []web.SiteHealth, error) {
	began := time.Now()
	h, err := s.store.Health(ctx)
	if err != nil {
		return h, nil, nil, err
	}
	answered := time.Since(began)
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return h, nil, nil, err
	}
	rows := []web.SiteHealth{databaseHealth(h, answered), brokerHealth(s.floor.Connected())}
	for _, m := range machines {
		heard, ok := s.floor.Heard(m.ID)
		rows = append(rows, workerHealth(m, heard, ok, s.now()))
	}
	for _, what := range slices.Sorted(maps.Keys(s.cfg.Folders)) {
		left, size, err := disk(s.cfg.Folders[what])
		rows = append(rows, diskHealth(what, s.cfg.Folders[what], left, size, err))
	}
	rows = append(rows, s.logHealth(h)...)
	return h, firstSteps(h, machines), append(rows, s.backupHealth(h)...), nil
}

// GetSiteHealth is GET /site/health.
func (s *Server) GetSiteHealth(ctx context.Context, _ wire.GetSiteHealthRequestObject) (wire.GetSiteHealthResponseObject, error) {
	_, steps, rows, err := s.siteHealth(ctx)
	if err != nil {
		return nil, err
	}
	answer := wire.GetSiteHealth200JSONResponse{Rows: []wire.SiteHealthRow{}, FirstSteps: []string{}}
	for _, x := range rows {
		row := wire.SiteHealthRow{What: x.What, Look: x.Look, Words: x.Words, Next: optional(x.Next)}
		if !x.At.IsZero() {
			at := utc(x.At)
			row.At = &at
		}
		if x.Look {
			answer.ToLookAt++
		}
		answer.Rows = append(answer.Rows, row)
	}
	for _, step := range steps {
		if !step.Done {
			answer.FirstSteps = append(answer.FirstSteps, step.What)
		}
	}
	return answer, nil
}

// firstSteps are what a new site lacks before a beam can run, in the order in which they are done.
func firstSteps(h db.Health, machines []db.Machine) []web.SiteStep {
	steps := []web.SiteStep{
		{What: "choose what kind of site this is", Done: h.Site.Settled},
		{What: "somebody holds the role of safety officer", Href: "/people", Done: h.Officers > 0},
		{What: "the officer chooses the edition that fire watches follow", Href: "/site/fire-watch", Done: h.Site.FireEdition != ""},
		{What: "add a machine, at the server: kerfgate machine add", Done: len(machines) > 0},
		{What: "enrol the machine’s worker, by a code from kerfgate enrol worker",
			Done: slices.ContainsFunc(machines, func(m db.Machine) bool { return m.WorkerKey != "" })},
		{What: "put a lot on the shelf", Href: "/materials", Done: h.Stocks > 0},
		{What: "write a first backup: kerfgate backup", Done: !h.Cared[db.BackupWritten].At.IsZero()},
	}
	if !slices.ContainsFunc(steps, func(s web.SiteStep) bool { return !s.Done }) {
		return nil
	}
	return steps
}

func databaseHealth(h db.Health, answered time.Duration) web.SiteHealth {
	x := web.SiteHealth{What: "Database", Words: fmt.Sprintf("PostgreSQL %s answers within %d ms and takes %s", firstWord(h.Version), answered.Milliseconds()+1, byteWords(uint64(h.Bytes)))}
	switch {
	case h.Returning > 0:
		x.Look, x.Next = true, fmt.Sprintf("It was restored. No permit is issued until %s told what burned: start the workers, or write a lost one off with kerfgate restore write-off.", web.Count(int(h.Returning), "machine’s worker has", "machines’ workers have"))
	case answered > time.Second:
		x.Look, x.Next = true, "That is slow. Look what else its computer does, and how full its disk is."
	}
	return x
}

func brokerHealth(connected bool) web.SiteHealth {
	if connected {
		return web.SiteHealth{What: "Broker", Words: "connected"}
	}
	return web.SiteHealth{What: "Broker", Look: true, Words: "not reached",
		Next: "No run can be signed until it is back; runs go on under attendance, and stop by their worker’s own address. Start the broker, and look at the network between."}
}

func workerHealth(m db.Machine, heard time.Time, ok bool, now time.Time) web.SiteHealth {
	x := web.SiteHealth{What: "Worker of " + machineView(m).Label()}
	quiet := now.Sub(heard)
	switch {
	case m.WorkerKey == "":
		x.Look, x.Words, x.Next = true, "none is enrolled", "Make a code on the machine’s computer’s behalf: kerfgate enrol worker. Until then nothing runs there."
	case !ok:
		x.Look, x.Words, x.Next = true, "not heard since this server started", "Switch its computer on, and run there: kerfgate worker check."
	case quiet > workerQuiet:
		x.Look, x.Words, x.Next = true, "last heard "+web.Duration(quiet.Milliseconds())+" ago", "Look at its computer and the network; at the machine: kerfgate worker check."
	default:
		x.Words = "heard just now"
	}
	return x
}

func diskHealth(what, folder string, left, size uint64, err error) web.SiteHealth {
	x := web.SiteHealth{What: "Disk of " + what}
	switch {
	case err != nil:
		x.Look, x.Words, x.Next = true, "its folder cannot be looked at", "Look whether "+folder+" is there and this server may enter it."
	case left < diskLeast || size > 0 && left*100/size < diskLeastPart:
		x.Look, x.Next = true, "Make room before it is full: when nothing can be written, nothing can be signed."
		fallthrough
	default:
		x.Words = byteWords(left) + " of " + byteWords(size) + " left"
	}
	return x
}

func (s *Server) logHealth(h db.Health) []web.SiteHealth {
	head := web.SiteHealth{What: "Logbook’s head", Words: web.Count(int(h.LogSize), "entry", "entries") + ", none signed yet"}
	if h.HeadAt != nil {
		head.Words = fmt.Sprintf("%s; the newest head was signed %s ago over %d", web.Count(int(h.LogSize), "entry", "entries"), web.Duration(h.ReadAt.Sub(*h.HeadAt).Milliseconds()), h.HeadSize)
		if h.LogSize > h.HeadSize && h.ReadAt.Sub(*h.HeadAt) > 2*time.Hour {
			head.Look, head.Next = true, "Workers and stations get a new head every quarter of an hour while somebody works: print one, and look at the server’s log."
		}
	}
	check := web.SiteHealth{What: "Logbook checked", Check: true}
	l, ok := h.Cared[db.LogbookChecked]
	s.careWords(&check, h, l, ok, checkOld, "never here", "Check it now; and elsewhere, against a head on paper: kerfgate logbook check.")
	if ok && !l.Good {
		check.Next = "Sign nothing more. Keep everything as it is, take the newest head on paper, and ask whoever looks after the server: an entry was altered, or the disk is bad."
	}
	return []web.SiteHealth{head, check}
}

func (s *Server) backupHealth(h db.Health) []web.SiteHealth {
	written, trial := web.SiteHealth{What: "Backup"}, web.SiteHealth{What: "Backup put back as a trial"}
	l, ok := h.Cared[db.BackupWritten]
	s.careWords(&written, h, l, ok, backupOld, "none is known here", "At the server, every night: kerfgate backup FILE. Keep the folder of keys too, but elsewhere.")
	l, ok = h.Cared[db.BackupTried]
	s.careWords(&trial, h, l, ok, trialOld, "never", "Where the file lies: kerfgate backup try FILE. It restores into a database of its own and checks the logbook there.")
	return []web.SiteHealth{written, trial}
}

// careWords tells when the site was last looked after in one way.
func (s *Server) careWords(x *web.SiteHealth, h db.Health, l db.CareTaken, ok bool, old time.Duration, never, next string) {
	if !ok {
		x.Look, x.Words, x.Next = true, never, next
		return
	}
	age := h.ReadAt.Sub(l.At)
	result := "good"
	if !l.Good {
		result = "BAD"
	}
	x.At, x.Words = s.local(l.At), fmt.Sprintf("%s ago, %s: %s; %s of the logbook", web.Duration(age.Milliseconds()), result, l.Said, web.Count(int(l.LogSize), "entry", "entries"))
	if x.Look = !l.Good || age > old; x.Look {
		x.Next = next
	}
}

// settleForm is POST /site/kind.
func (s *Server) settleForm(c echo.Context) error {
	err := s.store.SettleSite(c.Request().Context(), actorIn(c.Request().Context()), c.FormValue("kind"))
	return s.siteDone(c, err)
}

// contactForm is POST /site/contact.
func (s *Server) contactForm(c echo.Context) error {
	return s.siteDone(c, s.store.NameContact(c.Request().Context(), actorIn(c.Request().Context()), c.FormValue("contact")))
}

// limitsForm is POST /site/limits.
func (s *Server) limitsForm(c echo.Context) error {
	var l db.Limits
	for name, to := range map[string]*int64{"files": &l.Files, "mib": &l.MiB, "runs": &l.Runs} {
		n, err := strconv.ParseInt(strings.TrimSpace(c.FormValue(name)), 10, 64)
		if err != nil {
			return s.siteDone(c, invalid(name, "a limit is a whole number", "give one"))
		}
		*to = n
	}
	return s.siteDone(c, s.store.SetLimits(c.Request().Context(), actorIn(c.Request().Context()), l))
}

// checkLogForm is POST /site/check: it checks the logbook and keeps what was found.
func (s *Server) checkLogForm(c echo.Context) error {
	ctx := c.Request().Context()
	release, err := s.proofs.take(ctx)
	if err != nil {
		return err
	}
	defer release()
	var finding *logbook.CheckError
	if _, err = s.store.CheckAndKeep(ctx); errors.As(err, &finding) {
		s.log.Error("logbook check failed", "status", finding.Status, "finding", finding.Error())
		err = nil // the page tells it
	}
	return s.siteDone(c, err)
}

func (s *Server) siteDone(c echo.Context, err error) error {
	return s.afterForm(c, err, "/site", func(status int, problem *web.Problem) error { return s.sendSite(c, status, problem) })
}

func firstWord(s string) string { word, _, _ := strings.Cut(s, " "); return word }

// byteWords tells a size as people do; 1 GiB is 2³⁰ bytes (IEC 80000-13).
func byteWords(n uint64) string {
	switch {
	case n >= 10<<30:
		return fmt.Sprintf("%d GiB", n>>30)
	case n >= 1<<30:
		return fmt.Sprintf("%.1f GiB", float64(n)/(1<<30))
	}
	return fmt.Sprintf("%d MiB", n>>20)
}
