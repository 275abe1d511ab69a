package db_test

import (
	"errors"
	"testing"
	"time"

	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// TestSettleSite: what kind of site it is is chosen once, by an admin; who is alone then holds every role, and the
// others' accounts keep a site from being one person's.
func TestSettleSite(t *testing.T) {
	t.Parallel()
	e := dbtest.New(t)
	ctx := t.Context()
	if site, err := e.Site(ctx); err != nil || !site.Settled {
		t.Errorf("a site whose command line said everything is to be set up: %+v %v", site, err)
	}
	if _, err := e.Pool.Exec(ctx, `UPDATE site SET settled_at = NULL, fire_edition = ''`); err != nil {
		t.Fatal(err)
	}
	add := func(name string, role db.Role) db.Actor {
		t.Helper()
		p, err := e.AddPerson(ctx, db.System, db.NewPerson{SignInName: name, Name: name, Role: role, PasswordHash: "none"})
		if err != nil {
			t.Fatal(err)
		}
		return db.Actor{Person: p.ID, Role: role}
	}
	admin, member := add("sage", db.RoleAdmin), add("thyme", db.RoleMember)
	if err := e.SettleSite(ctx, member, db.SiteWorkshop); !errors.Is(err, db.ErrNotAllowed) {
		t.Errorf("a member chose: %v", err)
	}
	refused(t, e.SettleSite(ctx, admin, "hall"), "a workshop, or one person alone")
	refused(t, e.SettleSite(ctx, admin, db.SiteAlone), "others can sign in here")
	if _, err := e.ChangePerson(ctx, admin, member.Person, 0, db.PersonChange{Name: "thyme", Role: db.RoleMember, Disabled: true}); err != nil {
		t.Fatal(err)
	}
	if err := e.SettleSite(ctx, admin, db.SiteAlone); err != nil {
		t.Fatal(err)
	}
	if site, err := e.Site(ctx); err != nil || site.Kind != db.SiteAlone || !site.Settled {
		t.Errorf("%+v %v", site, err)
	}
	if a, err := e.Account(ctx, admin.Person); err != nil || a.Role != db.RoleAll {
		t.Errorf("who is alone is %s, %v", a.Role, err)
	}
	refused(t, e.SettleSite(ctx, admin, db.SiteWorkshop), "chosen already")
	if _, err := e.CheckAndKeep(ctx); err != nil {
		t.Error(err)
	}
	if h, err := e.Health(ctx); err != nil || !h.Cared[db.LogbookChecked].Good || h.Cared[db.LogbookChecked].LogSize != h.LogSize || h.Bytes == 0 || h.Version == "" {
		t.Errorf("%+v %v", h, err)
	}
	if err := e.SetLimits(ctx, member, db.Limits{Files: 1, MiB: 1, Runs: 1}); !errors.Is(err, db.ErrNotAllowed) {
		t.Errorf("a member set limits: %v", err)
	}
	refused(t, e.SetLimits(ctx, admin, db.Limits{Files: 0, MiB: 1, Runs: 1}), "drawings a day")
	if err := e.SetLimits(ctx, admin, db.Limits{Files: 7, MiB: 8, Runs: 9}); err != nil {
		t.Fatal(err)
	}
	if h, err := e.Health(ctx); err != nil || h.Limits != (db.Limits{Files: 7, MiB: 8, Runs: 9}) {
		t.Errorf("%+v %v", h.Limits, err)
	}
}

// TestEndingAuthorisations: one that ends soon is told, by date or by lying idle, unless a later one takes its place.
func TestEndingAuthorisations(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	const month = 30 * 24 * time.Hour
	soon := func(who db.Actor) int {
		t.Helper()
		list, err := w.EndingAuthorisations(ctx, who.Person, month, 5)
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	if _, err := w.Pool.Exec(ctx, `UPDATE authorisation SET expires_at = now() + interval '1 year', idle_months = NULL`); err != nil {
		t.Fatal(err)
	}
	if n := soon(db.Actor{}); n != 0 {
		t.Errorf("%d end soon", n)
	}
	for _, set := range []string{`expires_at = now() + interval '9 days'`, `expires_at = now() + interval '1 year', idle_months = 6, granted_at = now() - interval '170 days', used_at = NULL`} {
		if _, err := w.Pool.Exec(ctx, `UPDATE authorisation SET `+set); err != nil {
			t.Fatal(err)
		}
		if soon(w.Operator) != 1 || soon(db.Actor{}) < 1 || soon(w.Member) != 0 {
			t.Errorf("%s: %d, %d, %d", set, soon(w.Operator), soon(db.Actor{}), soon(w.Member))
		}
	}
	if _, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Operator.Person, Machine: w.Machine.ID, Until: time.Now().AddDate(1, 0, 0), Evidence: "refresher"}); err != nil {
		t.Fatal(err)
	}
	if n := soon(w.Operator); n != 0 {
		t.Errorf("%d end soon after a refresher", n)
	}
}
