package api

import (
	"log/slog"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/queue/broker"
)

// TestSitePage: a new site is set up, told what it lacks and how it stands, by the keys alone.
func TestSitePage(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	env := dbtest.New(t)
	if _, err := env.Pool.Exec(t.Context(), `UPDATE site SET settled_at = NULL, fire_edition = ''`); err != nil { // as serve opens one
		t.Fatal(err)
	}
	p, err := env.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: "sage", Name: "Sage of the garden", Role: db.RoleAdmin, PasswordHash: "none"})
	if err != nil {
		t.Fatal(err)
	}
	w := &workshop{Workshop: &dbtest.Workshop{Env: env}, floor: &floorMan{}}
	if w.s, err = New(Config{Store: env.Store, Floor: w.floor, Site: "garden", Folders: map[string]string{"keys": t.TempDir(), "broker": "/nowhere/at/all"}, Log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Fatal(err)
	}
	b := w.openTab(t, db.Actor{Person: p.ID, Role: p.Role})
	b.visit("/")
	b.reach(`.notices a[href="/site"]`)
	b.press("\r")
	b.arrives("/site")
	b.inOrder("site-new", "button.big, .choice.big")
	b.reach(`input[name=kind]`)
	b.press(" ", "\t")
	b.reach(`form[action="/site/kind"] button`)
	b.press("\r")
	b.waits(`document.body?.innerText.includes("done: choose what kind of site this is")`)
	b.reach(`form[action="/site/check"] button`)
	b.press("\r")
	b.waits(`/Logbook checked\s+good: .*good: root/.test(document.body?.innerText)`)
	b.reach(`#runs`)
	b.press("\t")
	b.value(`document.querySelector("#runs").value = "70"; ""`)
	b.press("\r")
	b.waits(`document.readyState === "complete" && document.querySelector("#runs")?.defaultValue === "70"`)
	for _, words := range []string{"its folder cannot be looked at", "none is known here", "a workshop", "connected", "PostgreSQL"} {
		if text := b.value("document.body.innerText"); !strings.Contains(text, words) {
			t.Errorf("the page lacks %q:\n%s", words, text)
		}
	}
	b.inOrder("site", "button.big")
	site, err := env.Site(t.Context())
	if err != nil || !site.Settled || site.Kind != db.SiteWorkshop {
		t.Errorf("%+v %v", site, err)
	}
}

// TestSiteHealth: each part says what to do exactly when something is to be done.
func TestSiteHealth(t *testing.T) {
	t.Parallel()
	now := time.Date(2027, 3, 1, 12, 0, 0, 0, time.UTC)
	s, _ := gateless(t, nil)
	m := db.Machine{Name: "cutter", Bay: "Bay 1", WorkerKey: "U"}
	for name, x := range map[string]struct {
		look, want bool
	}{
		"broker there":    {brokerHealth(true).Look, false},
		"broker gone":     {brokerHealth(false).Look, true},
		"worker heard":    {workerHealth(m, now.Add(-time.Second), true, now).Look, false},
		"worker quiet":    {workerHealth(m, now.Add(-time.Minute), true, now).Look, true},
		"worker unheard":  {workerHealth(m, time.Time{}, false, now).Look, true},
		"no worker":       {workerHealth(db.Machine{}, time.Time{}, false, now).Look, true},
		"disk half full":  {diskHealth("keys", "/", 50<<30, 100<<30, nil).Look, false},
		"disk of 5 %":     {diskHealth("keys", "/", 5<<30, 100<<30, nil).Look, true},
		"disk of 1 GiB":   {diskHealth("keys", "/", 1<<30, 4<<30, nil).Look, true},
		"folder gone":     {diskHealth("keys", "/", 0, 0, os.ErrNotExist).Look, true},
		"database slow":   {databaseHealth(db.Health{}, 2*time.Second).Look, true},
		"database quick":  {databaseHealth(db.Health{}, time.Millisecond).Look, false},
		"after a restore": {databaseHealth(db.Health{Returning: 1}, time.Millisecond).Look, true},
	} {
		if x.look != x.want {
			t.Errorf("%s: asks to look: %v", name, x.look)
		}
	}
	cared := func(age time.Duration, good bool) db.Health {
		l := db.CareTaken{At: now.Add(-age), Good: good}
		return db.Health{ReadAt: now, Cared: map[db.LookedAfter]db.CareTaken{db.BackupWritten: l, db.BackupTried: l, db.LogbookChecked: l}}
	}
	if got := s.backupHealth(cared(time.Hour, true)); got[0].Look || got[1].Look {
		t.Errorf("a backup of an hour ago: %+v", got)
	}
	if got := s.backupHealth(cared(3*24*time.Hour, true)); !got[0].Look || got[0].Next == "" || got[1].Look {
		t.Errorf("a backup of three days ago: %+v", got)
	}
	if got := s.backupHealth(db.Health{ReadAt: now}); !got[0].Look || !got[1].Look {
		t.Errorf("no backup: %+v", got)
	}
	if got := s.logHealth(cared(time.Hour, false)); !got[1].Look || !strings.Contains(got[1].Next, "Sign nothing more") || !strings.Contains(got[1].Words, "BAD") {
		t.Errorf("a bad check: %+v", got)
	}
	old := now.Add(-3 * time.Hour)
	h := cared(time.Hour, true)
	if h.LogSize, h.HeadSize, h.HeadAt = 9, 5, &old; !s.logHealth(h)[0].Look {
		t.Error("entries without a head for three hours")
	}
	if h.HeadSize = 9; s.logHealth(h)[0].Look {
		t.Error("a quiet site is asked to look at its head")
	}
	if left, size, err := disk(t.TempDir()); err != nil || left == 0 || size < left {
		t.Errorf("%d of %d, %v", left, size, err)
	}
}

// TestSitePage_Roles: an officer sees how the site stands and changes no limits; the board warns of an authorisation that ends.
func TestSitePage_Roles(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.floor.reading, w.floor.readAt = &broker.Reading{}, time.Now()
	if _, err := w.Pool.Exec(t.Context(), `UPDATE authorisation SET expires_at = now() + interval '9 days' WHERE person = $1`, w.Operator.Person); err != nil {
		t.Fatal(err)
	}
	form := []string{"Content-Type", "application/x-www-form-urlencoded"}
	officerToken, adminToken, operatorToken, memberToken := w.signedIn(t, w.Officer), w.signedIn(t, w.Admin), w.signedIn(t, w.Operator), w.signedIn(t, w.Member)
	page := func(token, method, path, body string, want int) string {
		t.Helper()
		rec := ask(t, w.s.Handler(), method, path, token, body, append(form, "Accept", "text/html")...)
		if rec.Code != want {
			t.Errorf("%s %s: %d, want %d", method, path, rec.Code, want)
		}
		return rec.Body.String()
	}
	if text := page(officerToken, http.MethodGet, "/site", "", http.StatusOK); strings.Contains(text, "/site/limits") || !strings.Contains(text, "heard just now") {
		t.Error("the officer's page")
	}
	page(officerToken, http.MethodPost, "/site/limits", "files=1&mib=1&runs=1", http.StatusForbidden)
	page(memberToken, http.MethodGet, "/site", "", http.StatusForbidden)
	page(adminToken, http.MethodPost, "/site/limits", "files=none&mib=1&runs=1", http.StatusUnprocessableEntity)
	page(adminToken, http.MethodPost, "/site/limits", "files=0&mib=1&runs=1", http.StatusUnprocessableEntity)
	page(adminToken, http.MethodPost, "/site/limits", "files=2&mib=3&runs=4", http.StatusSeeOther)
	page(officerToken, http.MethodPost, "/site/check", "", http.StatusSeeOther)
	if text := page(operatorToken, http.MethodGet, "/", "", http.StatusOK); !strings.Contains(text, "Your authorisation for") {
		t.Error("the operator is not warned")
	}
	if text := page(officerToken, http.MethodGet, "/", "", http.StatusOK); !strings.Contains(text, "Operator o. may run") && !strings.Contains(text, " may run ") {
		t.Error("the officer is not warned")
	}
	for _, token := range []string{memberToken, ""} {
		if text := page(token, http.MethodGet, "/", "", http.StatusOK); strings.Contains(text, "may run") || strings.Contains(text, "Your authorisation") {
			t.Error("somebody else is told")
		}
	}
}
