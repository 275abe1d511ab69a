package api

import (
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// joined makes an account by invitation, as a person does, and gives its sign-in's bearer token.
func (w *workshop) joined(t *testing.T, name, signIn string, role db.Role) (id uuid.UUID, token string) {
	t.Helper()
	admin := w.signedIn(t, w.Admin)
	var made wire.InvitationMade
	w.as(t, admin, http.MethodPost, "/invitations", fmt.Sprintf(`{"name":%q,"role":%q}`, name, role), http.StatusCreated, &made)
	secret := strings.TrimPrefix(made.Path, joinPath)
	var p wire.Person
	w.as(t, "", http.MethodPost, "/invitations/accept", fmt.Sprintf(`{"secret":%q,"sign_in":%q,"new_password":"a long enough password"}`, secret, signIn), http.StatusCreated, &p)
	if p.Name != name || p.Role != string(role) {
		t.Fatalf("joined as %+v", p)
	}
	var opened wire.SessionOpened
	w.as(t, "", http.MethodPost, "/sessions", fmt.Sprintf(`{"sign_in":%q,"password":"a long enough password"}`, signIn), http.StatusCreated, &opened)
	return p.ID, *opened.Token
}

// TestS27_Invitations: a link works once; what does not hold is refused the same way, whatever it was,
// and too many tries close it to the address.
func TestS27_Invitations(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	admin := w.signedIn(t, w.Admin)
	const accept = "/invitations/accept"
	body := func(secret, signIn, password string) string {
		return fmt.Sprintf(`{"secret":%q,"sign_in":%q,"new_password":%q}`, secret, signIn, password)
	}
	var made wire.InvitationMade
	w.as(t, admin, http.MethodPost, "/invitations", `{"name":"Fern of bed 3"}`, http.StatusCreated, &made)
	if made.Invitation.Role != "member" {
		t.Errorf("an invitation without a role is for a %s", made.Invitation.Role)
	}
	secret := strings.TrimPrefix(made.Path, joinPath)
	w.as(t, "", http.MethodPost, accept, body(secret, "fern", "short"), http.StatusUnprocessableEntity, nil)
	w.as(t, "", http.MethodPost, accept, body(secret, "", "a long enough password"), http.StatusUnprocessableEntity, nil)
	w.as(t, "", http.MethodPost, accept, body(secret, "member", "a long enough password"), http.StatusConflict, nil)
	w.as(t, "", http.MethodPost, accept, body(secret, "fern", "a long enough password"), http.StatusCreated, nil)
	w.as(t, "", http.MethodPost, accept, body(secret, "fern2", "a long enough password"), http.StatusForbidden, nil)

	w.as(t, admin, http.MethodPost, "/invitations", `{"name":"Moss"}`, http.StatusCreated, &made)
	var list wire.InvitationList
	w.as(t, admin, http.MethodGet, "/invitations", "", http.StatusOK, &list)
	if len(list.Invitations) != 1 || list.Invitations[0].Name != "Moss" {
		t.Errorf("links that wait: %+v", list)
	}
	w.as(t, admin, http.MethodDelete, "/invitations/"+made.Invitation.ID.String(), "", http.StatusNoContent, nil)
	w.as(t, admin, http.MethodPost, "/invitations", `{"name":""}`, http.StatusUnprocessableEntity, nil)
	w.as(t, admin, http.MethodPost, "/invitations", `{"person_id":"`+uuid.NewString()+`"}`, http.StatusNotFound, nil)
	for range 4 { // with the used link above that makes five
		w.as(t, "", http.MethodPost, accept, body(strings.TrimPrefix(made.Path, joinPath), "moss", "a long enough password"), http.StatusForbidden, nil)
	}
	w.as(t, "", http.MethodPost, accept, body("AAAA-BBBB-CCCC-DDDD", "moss", "a long enough password"), http.StatusTooManyRequests, nil)
}

// TestPeople: the list goes on where it ended, a change wants the rev that was read, closing signs out.
func TestPeople(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	admin, officer := w.signedIn(t, w.Admin), w.signedIn(t, w.Officer)
	id, token := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	path := "/people/" + id.String()

	var page wire.PeoplePage
	seen := map[uuid.UUID]bool{}
	for cursor := ""; ; cursor = "&cursor=" + page.Next.String() {
		page = wire.PeoplePage{}
		w.as(t, officer, http.MethodGet, "/people?limit=2"+cursor, "", http.StatusOK, &page)
		for _, p := range page.People {
			seen[p.ID] = true
		}
		if page.Next == nil {
			break
		}
	}
	if len(seen) != 5 || !seen[id] {
		t.Errorf("%d people", len(seen))
	}
	w.as(t, officer, http.MethodGet, "/people?limit=0", "", http.StatusUnprocessableEntity, nil)

	rec := w.as(t, officer, http.MethodGet, path, "", http.StatusOK, nil)
	change := func(role string, closed bool) string {
		return fmt.Sprintf(`{"name":"Fern","role":%q,"disabled":%v}`, role, closed)
	}
	w.as(t, officer, http.MethodPut, path, change("officer", false), http.StatusForbidden, nil)
	w.as(t, admin, http.MethodPut, path, change("gardener", false), http.StatusUnprocessableEntity, nil)
	w.as(t, admin, http.MethodPut, path, change("all", false), http.StatusUnprocessableEntity, nil)
	w.as(t, admin, http.MethodPut, path, change("officer", false), http.StatusPreconditionFailed, nil, "If-Match", `"99"`)
	w.as(t, token, http.MethodGet, "/people", "", http.StatusForbidden, nil)
	var account wire.Account
	w.as(t, admin, http.MethodPut, path, change("officer", false), http.StatusOK, &account, "If-Match", rec.Header().Get("ETag"))
	w.as(t, token, http.MethodGet, "/people", "", http.StatusOK, nil) // a right works at once (S11)
	w.as(t, admin, http.MethodPut, path, change("member", true), http.StatusOK, &account)
	if !account.Disabled {
		t.Error("not closed")
	}
	w.as(t, token, http.MethodGet, "/me", "", http.StatusUnauthorized, nil)
	w.as(t, "", http.MethodPost, "/sessions", `{"sign_in":"fern","password":"a long enough password"}`, http.StatusUnauthorized, nil)

	w.as(t, admin, http.MethodDelete, "/people/"+w.Admin.Person.String(), "", http.StatusUnprocessableEntity, nil)
	w.as(t, admin, http.MethodDelete, path, "", http.StatusNoContent, nil)
	account = wire.Account{}
	w.as(t, admin, http.MethodGet, path, "", http.StatusOK, &account)
	if account.ErasedAt == nil || account.Name != "erased" {
		t.Errorf("erased: %+v", account)
	}
}

// TestAuthorisations: who grants, on what evidence; nobody for themselves; withdrawn it is gone.
func TestAuthorisations(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	officer := w.signedIn(t, w.Officer)
	id, token := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	path := "/people/" + id.String() + "/authorisations"
	body := func(evidence string, until time.Time) string {
		return fmt.Sprintf(`{"machine_id":%q,"expires_at":%q,"evidence":%q,"idle_months":6}`, w.Machine.ID, until.UTC().Format(time.RFC3339), evidence)
	}
	w.as(t, token, http.MethodPost, path, body("me", time.Now().AddDate(1, 0, 0)), http.StatusForbidden, nil)
	w.as(t, officer, http.MethodPost, path, body("", time.Now().AddDate(1, 0, 0)), http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPost, path, body("supervised run", time.Now().Add(-time.Hour)), http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPost, "/people/"+w.Officer.Person.String()+"/authorisations", body("me", time.Now().AddDate(1, 0, 0)), http.StatusUnprocessableEntity, nil)
	var a wire.Authorisation
	w.as(t, officer, http.MethodPost, path, body("supervised run", time.Now().AddDate(1, 0, 0)), http.StatusCreated, &a)
	if a.GrantedBy == nil || *a.GrantedBy != "Officer of the garden" || *a.IdleMonths != 6 {
		t.Errorf("%+v", a)
	}
	if a.Groups != nil {
		t.Errorf("an authorisation for every material names %v", *a.Groups)
	}
	// For groups of materials alone: only those that there are, and the page says which.
	covering := func(groups string) string {
		return strings.TrimSuffix(body("course", time.Now().AddDate(1, 0, 0)), "}") + `,"groups":` + groups + "}"
	}
	w.as(t, officer, http.MethodPost, path, covering(`["wood"]`), http.StatusUnprocessableEntity, nil)
	var part wire.Authorisation
	w.as(t, officer, http.MethodPost, path, covering(`["metal","plastic"]`), http.StatusCreated, &part)
	if part.Groups == nil || strings.Join(*part.Groups, ", ") != "plastic, metal" {
		t.Errorf("%+v", part)
	}
	if page := ask(t, w.s.Handler(), http.MethodGet, "/people/"+id.String(), officer, "").Body.String(); !strings.Contains(page, "for plastic, metal") || !strings.Contains(page, `value="wood and board"`) {
		t.Errorf("the person's page:\n%s", page)
	}
	w.as(t, officer, http.MethodDelete, "/authorisations/"+part.ID.String(), "", http.StatusNoContent, nil)
	var me wire.Me
	w.as(t, token, http.MethodGet, "/me", "", http.StatusOK, &me)
	if len(me.Authorisations) != 1 || strings.Join(me.Roles, " ") != "member operator" {
		t.Errorf("%+v", me)
	}
	w.as(t, officer, http.MethodDelete, "/authorisations/"+a.ID.String(), "", http.StatusNoContent, nil)
	me = wire.Me{}
	w.as(t, token, http.MethodGet, "/me", "", http.StatusOK, &me)
	if len(me.Authorisations) != 0 {
		t.Errorf("withdrawn, and still there: %+v", me)
	}
}

// TestTokens: a program's token reads and hands in by its scopes, and nothing else at all: of every
// route of the matrix it may ask the reading ones, or the four that hand in.
func TestTokens(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	_, session := w.joined(t, "Fern of bed 3", "fern", db.RoleAdmin)
	until := time.Now().AddDate(0, 6, 0).UTC().Format(time.RFC3339)
	token := func(scopes string) string {
		var made wire.TokenMade
		w.as(t, session, http.MethodPost, "/me/tokens", fmt.Sprintf(`{"name":"label maker","scopes":[%s],"expires_at":%q}`, scopes, until), http.StatusCreated, &made)
		return made.Token
	}
	w.as(t, session, http.MethodPost, "/me/tokens", `{"name":"label maker","scopes":["sign"],"expires_at":"`+until+`"}`, http.StatusUnprocessableEntity, nil)
	reads, handsIn := token(`"read"`), token(`"hand-in"`)
	for _, r := range policy() {
		if r.open() {
			continue
		}
		for name, x := range map[string]struct {
			token string
			may   bool
		}{"read": {reads, r.method == http.MethodGet}, "hand-in": {handsIn, r.handIn}} {
			rec := ask(t, w.s.Handler(), r.method, concrete(r.path), x.token, "")
			outside := rec.Code == http.StatusForbidden && strings.Contains(rec.Body.String(), "/problems/scope")
			if outside == x.may {
				t.Errorf("%s %s with scope %s: %d", r.method, r.path, name, rec.Code)
			}
		}
	}
	for _, page := range []string{"/people", "/hand-in", "/me"} {
		if rec := ask(t, w.s.Handler(), http.MethodGet, page, reads, ""); rec.Code != http.StatusForbidden {
			t.Errorf("page %s with a token: %d", page, rec.Code)
		}
	}
	var list wire.SessionList
	w.as(t, session, http.MethodGet, "/me/sessions", "", http.StatusOK, &list)
	if len(list.Sessions) != 3 {
		t.Fatalf("%d sessions", len(list.Sessions))
	}
	for _, se := range list.Sessions {
		if se.Kind == "token" {
			w.as(t, session, http.MethodDelete, "/me/sessions/"+se.ID.String(), "", http.StatusNoContent, nil)
		} else if !se.Here {
			t.Error("the session that asks is not marked")
		}
	}
	w.as(t, reads, http.MethodGet, "/me", "", http.StatusUnauthorized, nil)
}

// TestS27_NoDefaultAccount: a site that was just opened lets nobody in, whatever they type, until the first
// person has used a link that was made at the command line.
func TestS27_NoDefaultAccount(t *testing.T) {
	t.Parallel()
	env := dbtest.New(t)
	if _, err := env.OpenSite(t.Context(), db.Site{Name: "garden", Kind: db.SiteAlone}); err != nil {
		t.Fatal(err)
	}
	s, err := New(Config{Store: env.Store, Floor: &floorMan{}, Site: "garden", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	people := 0
	if err := env.Pool.QueryRow(t.Context(), `SELECT (SELECT count(*) FROM person) + (SELECT count(*) FROM session) + (SELECT count(*) FROM invitation) + (SELECT count(*) FROM pin)`).Scan(&people); err != nil || people != 0 {
		t.Errorf("%d accounts, sessions, invitations and PINs in a new site, %v", people, err)
	}
	if has, err := env.HasAdmin(t.Context()); err != nil || has {
		t.Errorf("a new site has an admin: %v %v", has, err)
	}
	for name, password := range map[string]string{"admin": "admin", "kerfgate": "kerfgate", "root": "", "": ""} {
		if rec := ask(t, s.Handler(), http.MethodPost, base+"/sessions", "", fmt.Sprintf(`{"sign_in":%q,"password":%q}`, name, password)); rec.Code != http.StatusUnauthorized {
			t.Errorf("%q with %q: %d", name, password, rec.Code)
		}
	}
	ask(t, s.Handler(), http.MethodPost, base+"/invitations/accept", "", `{"secret":"AAAA-BBBB-CCCC-DDDD","sign_in":"fern","new_password":"a long enough password"}`)
	if has, err := env.HasAdmin(t.Context()); err != nil || has {
		t.Errorf("somebody became the admin by a link that nobody made: %v %v", has, err)
	}
}

// TestS12_Passwords: eight characters at least, argon2id in the form and with the cost that OWASP's password storage
// cheat sheet names (m=19456, t=2, p=1, from memory), and every one of a hundred characters counts.
func TestS12_Passwords(t *testing.T) {
	t.Parallel()
	if _, err := HashPassword(t.Context(), "sevench"); err == nil {
		t.Error("seven characters were taken")
	}
	long := strings.Repeat("kale and thyme ", 7)[:100]
	hash, err := HashPassword(t.Context(), long)
	if err != nil || !strings.HasPrefix(hash, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Fatalf("%s %v", hash, err)
	}
	for password, want := range map[string]bool{long: true, long[:99]: false, long[:99] + "x": false, long + "x": false, "": false} {
		if got, err := passwordMatches(t.Context(), password, hash); err != nil || got != want {
			t.Errorf("%d characters: %v %v", len(password), got, err)
		}
	}
}

// TestChangePassword: the old one is asked, other sessions end, this one stays.
func TestChangePassword(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	_, here := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	var there wire.SessionOpened
	w.as(t, "", http.MethodPost, "/sessions", `{"sign_in":"fern","password":"a long enough password"}`, http.StatusCreated, &there)
	change := func(before, after string, want int) {
		t.Helper()
		w.as(t, here, http.MethodPut, "/me/password", fmt.Sprintf(`{"password":%q,"new_password":%q}`, before, after), want, nil)
	}
	change("a long enough password", "short", http.StatusUnprocessableEntity)
	change("a long enough password", strings.Repeat("long ", 30), http.StatusNoContent) // nothing is cut off (S12)
	w.as(t, *there.Token, http.MethodGet, "/me", "", http.StatusUnauthorized, nil)
	w.as(t, here, http.MethodGet, "/me", "", http.StatusOK, nil)
	w.as(t, "", http.MethodPost, "/sessions", fmt.Sprintf(`{"sign_in":"fern","password":%q}`, strings.Repeat("long ", 30)), http.StatusCreated, nil)
	for range 5 {
		change("not the password", "another long password", http.StatusUnprocessableEntity)
	}
	change(strings.Repeat("long ", 30), "another long password", http.StatusTooManyRequests)
}
