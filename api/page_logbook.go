package api

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/db/logbook"
)

// logPage is how many entries a page of the logbook shows.
const logPage = 50

// logbookPage is GET /logbook.
func (s *Server) logbookPage(c echo.Context) error {
	return show(c, s.logbookView, web.RenderLogbook)
}

// logbookCheck is GET /logbook/check: it reads the whole logbook and changes nothing.
func (s *Server) logbookCheck(c echo.Context) error {
	ctx := c.Request().Context()
	release, err := s.proofs.take(ctx)
	if err != nil {
		return err
	}
	defer release()
	began := time.Now()
	report, err := s.store.CheckLog(ctx)
	took := time.Since(began)
	found := &web.CheckView{Good: err == nil, TookMS: took.Milliseconds(), At: s.local(s.now())}
	if err != nil {
		var finding *logbook.CheckError
		if !errors.As(err, &finding) {
			return err
		}
		s.log.Error("logbook check failed", "status", finding.Status, "finding", finding.Error())
		found.Found = web.Sentence(finding.Error())
	}
	found.Checked = []string{
		fmt.Sprintf("%d entries read: no gap, every hash computed anew, up to the root %s", report.Entries, hex.EncodeToString(report.Root[:4])),
		fmt.Sprintf("%s: each fits the entries that it counts; %d entries are covered by a head", web.Count(int(report.Heads), "signed head", "signed heads"), report.Covered),
		fmt.Sprintf("%s: each went through the phase table, none moved twice, no two were active on one machine", web.Count(int(report.Runs), "run", "runs")),
		fmt.Sprintf("%s: signatures, and that none was issued while the machine was locked out", web.Count(int(report.Permits), "permit", "permits")),
	}
	v, err := s.logbookView(c)
	if err != nil {
		return err
	}
	v.Report = found
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderLogbook(w, v) })
}

func (s *Server) logbookView(c echo.Context) (web.LogbookView, error) {
	ctx := c.Request().Context()
	v := web.LogbookView{Shell: s.shell(c, "Logbook", "/logbook"), MayProve: true,
		Kind: c.QueryParam("kind"), Machine: c.QueryParam("machine"), Run: c.QueryParam("run"), Who: strings.TrimSpace(c.QueryParam("person"))}
	var err error
	if v.Size, err = s.store.LogSize(ctx); err != nil {
		return v, err
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return v, err
	}
	filter := db.LogFilter{Before: -1, Limit: logPage, Kind: v.Kind}
	for _, m := range machines {
		chosen := m.ID.String() == v.Machine
		if chosen {
			filter.Subject = m.ID
		}
		v.Machines = append(v.Machines, web.MachineChoice{Value: m.ID.String(), Label: machineView(m).Label(), Chosen: chosen})
	}
	v.Kinds = kindChoices(v.Kind)
	if before, err := strconv.ParseInt(c.QueryParam("before"), 10, 64); err == nil && before >= 0 {
		filter.Before = before
	}
	if v.Who != "" && (v.Run != "" || v.Machine != "") || v.Run != "" && v.Machine != "" {
		v.Problem = &web.Problem{Title: "One at a time", Reasons: []web.Reason{{What: "The logbook is shown for a machine, or a person, or a run", Next: "Leave two of the three empty."}}}
		return v, nil
	}
	if v.Who != "" {
		person, err := s.store.PersonNamed(ctx, v.Who)
		if errors.Is(err, db.ErrNotFound) {
			v.Problem = &web.Problem{Title: "No such person", Reasons: []web.Reason{{What: "Nobody has that sign-in name", Next: "Look at the page of people for it; an account that is closed keeps its name, one that was erased has none."}}}
			return v, nil
		}
		if err != nil {
			return v, err
		}
		filter.Subject = person
	}
	if v.Run != "" {
		run, err := s.runNumbered(ctx, v.Run)
		if errors.Is(err, db.ErrNotFound) {
			v.Problem = &web.Problem{Title: "No such run", Reasons: []web.Reason{{What: "No run has that number", Next: "Look at the job’s page for the numbers of its runs."}}}
			return v, nil
		}
		if err != nil {
			return v, err
		}
		filter.Subject = run
	}
	page, err := s.store.LogPage(ctx, filter)
	if err != nil {
		return v, err
	}
	for _, e := range page.Entries {
		v.Entries = append(v.Entries, s.entryView(e))
	}
	if v.More = page.Next > 0 && len(page.Entries) < logPage; page.Next > 0 {
		q := url.Values{"before": {strconv.FormatInt(page.Next, 10)}}
		for name, value := range map[string]string{"kind": v.Kind, "machine": v.Machine, "run": v.Run, "person": v.Who} {
			if value != "" {
				q.Set(name, value)
			}
		}
		v.Older = "/logbook?" + q.Encode()
	}
	return v, nil
}

// runNumbered finds a run by its id or by the number that people use.
func (s *Server) runNumbered(ctx context.Context, text string) (uuid.UUID, error) {
	if id, err := uuid.Parse(text); err == nil {
		return id, nil
	}
	number, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
	if err != nil || number <= 0 {
		return uuid.Nil, db.ErrNotFound
	}
	return s.store.RunNumbered(ctx, number)
}

// kindWords says what each kind of entry tells, after the name of who did it.
var kindWords = map[logbook.Kind]string{
	logbook.RunProposed:            "proposed a run",
	logbook.RunReady:               "reported the machine ready",
	logbook.RunUnready:             "reported the machine not ready",
	logbook.RunOpened:              "opened the checklist",
	logbook.RunReleased:            "released the checklist",
	logbook.RunSigned:              "signed the checklist",
	logbook.RunVoided:              "voided the permit",
	logbook.RunBurned:              "burned the permit",
	logbook.RunMoved:               "saw the first motion",
	logbook.RunPaused:              "paused the run",
	logbook.RunResumed:             "resumed the run",
	logbook.RunPlaced:              "lost its place while paused and homed again",
	logbook.RunCompleted:           "completed the run",
	logbook.RunStopped:             "stopped the run",
	logbook.RunFailed:              "reported the run failed",
	logbook.RunInterrupted:         "reported the run interrupted",
	logbook.RunPurged:              "ended the purge",
	logbook.RunInspected:           "recorded the inspection",
	logbook.RunWithdrawn:           "withdrew the run",
	logbook.RunRestored:            "learnt from the worker’s journal that the run burned",
	logbook.SiteOpened:             "opened the site",
	logbook.SiteSettled:            "chose what kind of site this is",
	logbook.SiteLimitsSet:          "set how much one member may hand in",
	logbook.SiteRestored:           "restored the site from a backup",
	logbook.JournalHeard:           "heard the worker’s journal",
	logbook.JournalWrittenOff:      "wrote the worker’s journal off",
	logbook.PersonAdded:            "added a person",
	logbook.IncidentAdded:          "added to an incident",
	logbook.IncidentClosed:         "closed an incident",
	logbook.FollowUpSet:            "set a follow-up of an incident",
	logbook.FollowUpDone:           "finished a follow-up of an incident",
	logbook.PhotoKept:              "kept a photo of an incident",
	logbook.UpkeepSet:              "set upkeep of a machine",
	logbook.UpkeepDone:             "did upkeep of a machine",
	logbook.UpkeepRetired:          "took upkeep off a machine's list",
	logbook.PersonChanged:          "changed a person",
	logbook.PersonErased:           "erased a person",
	logbook.QueueTaken:             "took a run ahead of its turn",
	logbook.QueueCalled:            "called a member to the machine",
	logbook.QueueCame:              "said that who was called came",
	logbook.QueueSwapped:           "swapped a run to another lot",
	logbook.PersonInvited:          "invited a person",
	logbook.InvitationWithdrawn:    "withdrew an invitation",
	logbook.PasswordChanged:        "changed a password",
	logbook.TokenMade:              "made a token for a program",
	logbook.AuthorisationGranted:   "granted an authorisation",
	logbook.AuthorisationWithdrawn: "withdrew an authorisation",
	logbook.SessionOpened:          "signed in",
	logbook.SessionEnded:           "signed out",
	logbook.StationEnrolled:        "enrolled a station",
	logbook.StationRevoked:         "took a station’s credential away",
	logbook.EnrolCodeMade:          "made an enrolment code",
	logbook.WorkerEnrolled:         "enrolled a worker",
	logbook.WorkerCertified:        "made a certificate for a worker’s listener",
	logbook.WorkerKeyReplaced:      "replaced a worker’s key",
	logbook.WorkerRevoked:          "took a worker’s key away",
	logbook.KeyReplaced:            "replaced a key of the site",
	logbook.PINSet:                 "chose a PIN",
	logbook.PasskeyAdded:           "added a passkey",
	logbook.PasskeyRemoved:         "removed a passkey",
	logbook.PasskeyRefused:         "refused a passkey as a copy’s",
	logbook.PINClosed:              "closed sign-in by PIN after wrong tries",
	logbook.MachineAdded:           "added a machine",
	logbook.RoomMeasured:           "measured a machine’s room",
	logbook.ProfileChanged:         "changed a profile",
	logbook.WatchHandedOver:        "took the fire watch over",
	logbook.WatchMissed:            "noticed a missed look of the fire watch",
	logbook.FireEditionChosen:      "chose how long fire watches last",
	logbook.ContactNamed:           "chose whom a site of one tells of a start",
	logbook.CommissioningBegun:     "began to commission the machine",
	logbook.CommissioningAnswered:  "answered the commissioning",
	logbook.CommissioningPublished: "published the commissioning",
	logbook.CommissioningAbandoned: "gave the commissioning up",
	logbook.LockoutSet:             "locked the machine out",
	logbook.LockoutLifted:          "lifted the lockout",
	logbook.MaterialAdded:          "added a material",
	logbook.MaterialChanged:        "changed a material",
	logbook.MaterialRetired:        "retired a material",
	logbook.MaterialListTaken:      "took the list of materials over",
	logbook.StockAdded:             "added stock",
	logbook.StockTested:            "tested stock by the copper wire",
	logbook.StockChanged:           "changed stock",
	logbook.SettingProven:          "proved a setting",
	logbook.SettingWithdrawn:       "withdrew a setting",
	logbook.SettingsGridStarted:    "queued a settings grid",
	logbook.SettingsGridFlame:      "saw a flame while a settings grid was worked",
	logbook.CalibrationStarted:     "queued a calibration pattern",
	logbook.CalibrationMeasured:    "measured a calibration pattern",
	logbook.CalibrationAccepted:    "accepted a calibration",
	logbook.CalibrationRefused:     "refused a calibration",
	logbook.MachineViewNamed:       "named two machines that stand in one view",
	logbook.MachineViewEnded:       "took back that two machines stand in one view",
	logbook.CalibrationRuleSet:     "set how often a machine is calibrated",
	logbook.ChecklistPublished:     "published a checklist",
	logbook.DrawingReceived:        "handed in a drawing",
	logbook.PlanMade:               "had a plan made",
	logbook.JobSubmitted:           "submitted a job",
	logbook.JobWithdrawn:           "withdrew a job",
	logbook.SetMade:                "opened a set of jobs",
	logbook.JobSetChosen:           "chose the set of a job",
	logbook.AnswerGiven:            "answered an item",
	logbook.LeaveIssued:            "was given a set-up leave",
	logbook.LeaveUsed:              "used the set-up leave",
	logbook.AttendanceMissed:       "missed attendance",
	logbook.AttendanceSummary:      "summed up the attendance",
	logbook.AttendanceHandedOver:   "took attendance over",
	logbook.PictureKept:            "kept the picture of the sheet",
	logbook.WatchOpened:            "opened a fire watch",
	logbook.WatchConfirmed:         "confirmed the fire watch",
	logbook.WatchClosed:            "closed the fire watch",
	logbook.Refused:                "was refused",
	logbook.HeadKept:               "kept a signed head",
	logbook.ReportRejected:         "rejected a worker’s report",
	logbook.IncidentOpened:         "opened an incident",
	logbook.WorkerSeen:             "saw the worker",
	logbook.StopPressed:            "pressed Stop run",
	logbook.PausePressed:           "pressed pause",
	logbook.PairAdded:              "put a pair of eyewear into the register",
	logbook.PairLookedAt:           "looked at a pair of eyewear",
	logbook.PairRetired:            "took a pair of eyewear out of the register",
}

// kindChoices lists what the logbook can be filtered by: first words, then single kinds.
func kindChoices(chosen string) []web.KindChoice {
	var words []string
	var all []web.KindChoice
	for _, k := range logbook.Kinds() {
		if word, _, two := strings.Cut(string(k), "."); two && !slices.Contains(words, word) {
			words = append(words, word)
		}
	}
	slices.Sort(words)
	for _, word := range words {
		all = append(all, web.KindChoice{Value: word, Label: "all of: " + word, Chosen: word == chosen})
	}
	for _, k := range logbook.Kinds() {
		all = append(all, web.KindChoice{Value: string(k), Label: kindWords[k], Chosen: string(k) == chosen})
	}
	return all
}

func (s *Server) entryView(e db.LogEntry) web.EntryView {
	v := web.EntryView{Index: e.Index, At: s.local(e.Entry.Time), Kind: string(e.Entry.Kind), Who: e.ActorName}
	if v.Who == "" {
		v.Who = "the system"
		if !e.Entry.Actor.IsZero() {
			v.Who = "a person whose name was erased"
		}
	}
	words, known := kindWords[e.Entry.Kind]
	if !known {
		words = string(e.Entry.Kind) // written by a later version
	}
	v.What = words
	if item, ok := e.Entry.Body.String("item"); ok {
		v.What += ": " + item
	}
	var on []string
	if e.Number > 0 {
		on = append(on, fmt.Sprintf("run %d", e.Number))
	}
	if e.Title != "" {
		on = append(on, "“"+e.Title+"”")
	}
	if e.MachineName != "" {
		on = append(on, e.MachineName)
	}
	v.On = strings.Join(on, ", ")
	v.More = bodyWords(e.Entry.Body)
	return v
}

// bodyWords tells those body fields that people read; digests and notes are in the proof.
func bodyWords(b logbook.Body) []string {
	var all []string
	for _, f := range []struct{ key, word string }{
		{logbook.FieldReason, "because: "}, {logbook.FieldOutcome, "outcome: "}, {"sheet", "sheet: "}, {"where", "at: "},
		{logbook.FieldRoute, "on: "}, {"role", "role: "}, {"until", "until: "}, {"lot", "lot: "}, {"verdict", "verdict: "},
	} {
		if value, ok := b.String(f.key); ok && value != "" {
			all = append(all, f.word+value)
		}
	}
	if up, ok := b.Bool("up"); ok {
		if up {
			all = append(all, "its bar is up")
		} else {
			all = append(all, "its bar stays down")
		}
	}
	if flame, ok := b.Bool("flame_or_glow"); ok && flame {
		all = append(all, "flame or glow was seen")
	}
	if never, ok := b.Bool(logbook.FieldNeverMoved); ok && never {
		all = append(all, "the machine never moved")
	}
	if count, ok := b.Int(logbook.FieldCount); ok && count > 1 {
		all = append(all, fmt.Sprintf("%d times", count))
	}
	if taps, ok := b.Int("taps"); ok {
		misses, _ := b.Int("misses")
		all = append(all, fmt.Sprintf("%s, %d missed", web.Count(int(taps), "tap", "taps"), misses))
	}
	return all
}

// proofPage is GET /logbook/{index}/proof. The proof itself holds hashes only; what the entry tells
// is shown to whoever may read the logbook.
func (s *Server) proofPage(c echo.Context) error {
	ctx := c.Request().Context()
	index, err := strconv.ParseInt(c.Param("index"), 10, 64)
	if err != nil || index < 0 {
		return db.ErrNotFound
	}
	proof, err := s.store.LogProof(ctx, index)
	if err != nil {
		return err
	}
	v := web.ProofView{Shell: s.shell(c, fmt.Sprintf("Proof of entry %d", index), "/logbook"), Proof: string(proof), Entry: web.EntryView{Index: index}}
	who, _ := personOf(c)
	if reads, err := s.hasRole(ctx, who, []role{officer, admin}); err != nil {
		return err
	} else if reads {
		entries, err := s.store.LogFrom(ctx, index, 1)
		if err != nil {
			return err
		}
		if len(entries) == 1 {
			v.Entry = s.entryView(entries[0])
		}
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderProof(w, v) })
}
