package db_test

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
)

func refused(t *testing.T, err error, what string) {
	t.Helper()
	var r *db.Refused
	if !errors.As(err, &r) || !strings.Contains(r.Error(), what) {
		t.Errorf("got %v, want a refusal with %q", err, what)
	}
}

// TestS2_ClosedAccount: a closed account is signed out at once, its open sign-off is voided, and it
// comes back only by another change.
func TestS2_ClosedAccount(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	admin := w.Admin
	token := []byte(strings.Repeat("t", 32))
	if _, err := w.OpenSession(ctx, w.Operator.Person, db.SessionBrowser, token, time.Hour); err != nil {
		t.Fatal(err)
	}
	before, err := w.Account(ctx, w.Operator.Person)
	if err != nil || len(before.Authorisations) != 1 {
		t.Fatal(before, err)
	}
	closed, err := w.ChangePerson(ctx, admin, w.Operator.Person, before.Rev, db.PersonChange{Name: before.Name, Role: before.Role, Disabled: true})
	if err != nil || !closed.Disabled {
		t.Fatal(closed, err)
	}
	if _, _, err := w.SessionByToken(ctx, token); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("the session of a closed account: %v", err)
	}
	if _, err := w.ChangePerson(ctx, admin, w.Operator.Person, before.Rev, db.PersonChange{Name: before.Name, Role: before.Role}); !errors.Is(err, db.ErrConflict) {
		t.Errorf("a stale rev: %v", err)
	}
	if _, err := w.ChangePerson(ctx, admin, w.Operator.Person, closed.Rev, db.PersonChange{Name: before.Name, Role: before.Role}); err != nil {
		t.Error(err)
	}
	if _, _, err := w.SessionByToken(ctx, token); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("an old session after opening the account again: %v", err)
	}
}

// TestLastAdmin: the site never loses its last admin, nor by two who close each other at once.
func TestLastAdmin(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	name := "Admin of the garden"
	_, err := w.ChangePerson(ctx, db.System, w.Admin.Person, 0, db.PersonChange{Name: name, Role: db.RoleAdmin, Disabled: true})
	refused(t, err, "last admin")
	_, err = w.ChangePerson(ctx, w.Admin, w.Admin.Person, 0, db.PersonChange{Name: name, Role: db.RoleMember})
	refused(t, err, "last admin")
	refused(t, w.ErasePerson(ctx, w.Admin, w.Admin.Person), "last admin")
	_, err = w.ChangePerson(ctx, w.Admin, w.Admin.Person, 0, db.PersonChange{Name: name, Role: db.RoleAdmin, Disabled: true})
	refused(t, err, "own account")

	second, err := w.AddPerson(ctx, w.Admin, db.NewPerson{SignInName: "second", Name: "Second admin", Role: db.RoleAdmin, PasswordHash: "none"})
	if err != nil {
		t.Fatal(err)
	}
	both := []db.Actor{w.Admin, {Person: second.ID, Role: db.RoleAdmin}}
	var wg sync.WaitGroup
	done := make([]error, 2)
	for i := range both {
		wg.Go(func() {
			_, done[i] = w.ChangePerson(ctx, both[i], both[1-i].Person, 0, db.PersonChange{Name: "Admin", Role: db.RoleMember})
		})
	}
	wg.Wait()
	if has, err := w.HasAdmin(ctx); err != nil || !has || (done[0] == nil) == (done[1] == nil) {
		t.Errorf("an admin is left: %v %v, changes %v", has, err, done)
	}
	_, err = w.AddPerson(ctx, w.Admin, db.NewPerson{SignInName: "one", Name: "Everything", Role: db.RoleAll, PasswordHash: "none"})
	refused(t, err, "site of one")
}

// TestErasePerson: nothing that tells who it was is left in any table, the tree and its check are as
// good as before, and what the person did still shows that somebody did it.
func TestErasePerson(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	const name, signIn = "Rosemary Unforgettable", "rosemary-unforgettable"
	link := [32]byte{7}
	if _, err := w.Invite(ctx, w.Admin, db.Invitation{Name: name, Role: db.RoleMember}, link); err != nil {
		t.Fatal(err)
	}
	p, err := w.AcceptInvitation(ctx, link, db.NewPerson{SignInName: signIn, PasswordHash: "a hash"})
	if err != nil {
		t.Fatal(err)
	}
	actor := db.Actor{Person: p.ID, Role: p.Role}
	if _, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: p.ID, Machine: w.Machine.ID, Until: time.Now().Add(time.Hour), Evidence: "course of " + name}); err != nil {
		t.Fatal(err)
	}
	if err := w.SetPIN(ctx, actor, "pin hash"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.MakeToken(ctx, actor, db.NewToken{Name: "laptop of " + name, Scopes: []db.Scope{db.ScopeRead}, Until: time.Now().Add(time.Hour)}, []byte(strings.Repeat("k", 32))); err != nil {
		t.Fatal(err)
	}
	if _, err := w.AddPasskey(ctx, actor, db.Passkey{Name: "phone of " + name, Credential: []byte("credential"), PublicKey: []byte("key")}); err != nil {
		t.Fatal(err)
	}
	if err := w.NoteRefusal(ctx, actor, "GET /x"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.ReceiveDrawing(ctx, actor, "square.svg", []byte(dbtest.Square)); err != nil {
		t.Fatal(err)
	}
	if !holds(t, w, name) || !holds(t, w, signIn) {
		t.Fatal("the search of the tables does not find what it should find")
	}
	if err := w.ErasePerson(ctx, w.Admin, p.ID); err != nil {
		t.Fatal(err)
	}
	if keys, err := w.Passkeys(ctx, p.ID); err != nil || len(keys) != 0 {
		t.Errorf("passkeys of an erased person: %v, %v", keys, err)
	}
	for _, text := range []string{name, signIn, "pin hash"} {
		if holds(t, w, text) {
			t.Errorf("%q is still in a table", text)
		}
	}
	if _, err := w.ChangePerson(ctx, w.Admin, p.ID, 0, db.PersonChange{Name: "Back", Role: db.RoleMember}); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("an erased account changes: %v", err)
	}
	page, err := w.LogEntries(ctx, db.LogFilter{Before: -1, Limit: 200})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(page, func(e db.LogEntry) bool {
		return e.Entry.Kind == logbook.DrawingReceived && uuid.UUID(e.Entry.Actor) == p.ID
	}) {
		t.Error("what the person did is no longer in the logbook")
	}
}

// holds says whether any column of any table of the site holds the text.
func holds(t *testing.T, w *dbtest.Workshop, text string) bool {
	t.Helper()
	rows, err := w.Pool.Query(t.Context(), `SELECT table_name FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'`)
	if err != nil {
		t.Fatal(err)
	}
	var tables []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		tables = append(tables, name)
	}
	for _, table := range tables {
		var n int
		if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM "`+table+`" x WHERE x::text LIKE '%' || $1 || '%'
			OR x::text LIKE '%' || encode(convert_to($1, 'UTF8'), 'hex') || '%'`, text).Scan(&n); err != nil {
			t.Logf("%s: %v", table, err)
			continue
		}
		if n > 0 {
			return true
		}
	}
	return false
}

// TestS27_Invitation: a link makes one account, once, and not after it was withdrawn; for an account
// that exists it sets a new password and signs it out.
func TestS27_Invitation(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	one, two, three := [32]byte{1}, [32]byte{2}, [32]byte{3}
	if _, err := w.Invite(ctx, w.Admin, db.Invitation{Name: "Thyme", Role: db.RoleOfficer}, one); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	got := make([]error, 4)
	for i := range got {
		wg.Go(func() {
			_, got[i] = w.AcceptInvitation(ctx, one, db.NewPerson{SignInName: "thyme" + string(rune('a'+i)), PasswordHash: "a hash"})
		})
	}
	wg.Wait()
	made := 0
	for _, err := range got {
		if err == nil {
			made++
		} else if !errors.Is(err, db.ErrInvitation) {
			t.Error(err)
		}
	}
	if made != 1 {
		t.Errorf("one link made %d accounts", made)
	}
	withdrawn, err := w.Invite(ctx, w.Admin, db.Invitation{Name: "Sage", Role: db.RoleMember}, two)
	if err != nil {
		t.Fatal(err)
	}
	if list, err := w.Invitations(ctx); err != nil || len(list) != 1 || list[0].ID != withdrawn.ID {
		t.Error(list, err)
	}
	if err := w.WithdrawInvitation(ctx, w.Admin, withdrawn.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := w.AcceptInvitation(ctx, two, db.NewPerson{SignInName: "sage", PasswordHash: "a hash"}); !errors.Is(err, db.ErrInvitation) {
		t.Errorf("a withdrawn link: %v", err)
	}
	token := []byte(strings.Repeat("o", 32))
	if _, err := w.OpenSession(ctx, w.Member.Person, db.SessionBrowser, token, time.Hour); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Invite(ctx, w.Admin, db.Invitation{Person: w.Member.Person}, three); err != nil {
		t.Fatal(err)
	}
	if p, err := w.AcceptInvitation(ctx, three, db.NewPerson{SignInName: "", PasswordHash: "another hash"}); err != nil || p.ID != w.Member.Person {
		t.Fatal(p, err)
	}
	if _, hash, err := w.PersonBySignIn(ctx, "member"); err != nil || hash != "another hash" {
		t.Error(hash, err)
	}
	if _, _, err := w.SessionByToken(ctx, token); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a session from before the new password: %v", err)
	}
}

// TestAuthorisation_Refresher: an authorisation that lies idle ends by itself, at the gate too, and a
// run puts that off.
func TestAuthorisation_Refresher(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	valid := func() int {
		t.Helper()
		list, err := w.Authorisations(ctx, w.Member.Person)
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	_, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Officer.Person, Machine: w.Machine.ID, Until: time.Now().Add(time.Hour), Evidence: "me"})
	refused(t, err, "nobody authorises themselves")
	_, err = w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Member.Person, Machine: w.Machine.ID, Until: time.Now().Add(time.Hour)})
	refused(t, err, "not said")
	a, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Member.Person, Machine: w.Machine.ID,
		Until: time.Now().AddDate(1, 0, 0), Evidence: "supervised run", IdleMonths: 3})
	if err != nil || a.GrantedBy != "Officer of the garden" || a.ExpiresAt.After(time.Now().AddDate(0, 3, 2)) {
		t.Fatal(a, err)
	}
	if valid() != 1 {
		t.Fatal("a fresh authorisation does not hold")
	}
	owner(t, w, `UPDATE authorisation SET granted_at = now() - interval '4 months' WHERE id = $1`, a.ID)
	if valid() != 0 {
		t.Error("four idle months of three allowed, and it holds")
	}
	owner(t, w, `UPDATE authorisation SET used_at = now() - interval '1 month' WHERE id = $1`, a.ID)
	if valid() != 1 {
		t.Error("a run last month, and it does not hold")
	}
}

func owner(t *testing.T, w *dbtest.Workshop, sql string, args ...any) {
	t.Helper()
	if _, err := w.Pool.Exec(t.Context(), sql, args...); err != nil {
		t.Fatal(err)
	}
}

// TestToken: a token is a session with scopes and an end, and an unknown scope is refused.
func TestToken(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	hash := []byte(strings.Repeat("q", 32))
	_, err := w.MakeToken(ctx, w.Member, db.NewToken{Name: "sign maker", Scopes: []db.Scope{"sign"}, Until: time.Now().Add(time.Hour)}, hash)
	refused(t, err, "no scope sign")
	_, err = w.MakeToken(ctx, w.Member, db.NewToken{Name: "sign maker", Scopes: []db.Scope{db.ScopeRead}, Until: time.Now().AddDate(2, 0, 0)}, hash)
	refused(t, err, "within the next year")
	made, err := w.MakeToken(ctx, w.Member, db.NewToken{Name: "sign maker", Scopes: []db.Scope{db.ScopeRead, db.ScopeHandIn}, Until: time.Now().AddDate(0, 6, 0)}, hash)
	if err != nil {
		t.Fatal(err)
	}
	got, _, err := w.SessionByToken(ctx, hash)
	if err != nil || got.ID != made.ID || got.Name != "sign maker" || len(got.Scopes) != 2 {
		t.Fatal(got, err)
	}
	list, err := w.Sessions(ctx, w.Member.Person)
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	if err := w.EndSession(ctx, w.Member, made.ID); err != nil {
		t.Fatal(err)
	}
	if _, _, err := w.SessionByToken(ctx, hash); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("an ended token: %v", err)
	}
}
