package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"kerfgate/db"
)

// whose says, for each kind of object that a member's route names, whose it is. What is not named here
// fails TestS9_EveryObjectRoute: a new kind of object has to be put on one side or the other.
var whose = map[string]string{
	"jobs": "owner", "drawings": "owner", "plans": "owner", "runs": "owner", "sets": "owner", "me": "owner",
	// Everybody in the shop uses these.
	"machines": "shared", "station": "shared", "upkeep": "shared", "calibrations": "shared", "materials": "shared",
	// What happened is for everybody to learn from; who was hurt is told to officers and admins alone.
	"incidents": "shared", "follow-ups": "shared", "logbook": "shared",
}

// TestS9_EveryObjectRoute walks through every route and page that a member may ask and that names an object, with the
// ids of somebody else's job, drawing, plan, run and session: 404 each, never 403, which would tell that it is there.
// The owner, asking the same, is let in, so the ids are right.
func TestS9_EveryObjectRoute(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	owner := w.signedIn(t, w.Member)
	job := w.handIn(t, owner, 1)
	p, err := w.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: "moss", Name: "Another member", Role: db.RoleMember, PasswordHash: "none"})
	if err != nil {
		t.Fatal(err)
	}
	other := w.signedIn(t, db.Actor{Person: p.ID, Role: p.Role})
	hash := hashToken(owner)
	session, _, err := w.SessionByToken(t.Context(), hash[:])
	if err != nil {
		t.Fatal(err)
	}
	set, err := w.MakeSet(t.Context(), w.Member, "herb bed")
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]string{"sets": set.ID.String(), "jobs": job.ID.String(), "drawings": job.DrawingID.String(), "plans": job.Plan, "runs": job.Runs[0].ID.String(), "me": session.ID.String()}
	asked, letIn := 0, 0
	for key, r := range w.s.rules {
		if r.stop || !strings.Contains(key.path, "/:") || !slices.Contains(r.roles, member) {
			continue
		}
		path := strings.TrimPrefix(key.path, base)
		kind, _, _ := strings.Cut(strings.TrimPrefix(path, "/"), "/")
		switch whose[kind] {
		case "shared":
			continue
		case "":
			t.Errorf("%s %s: nobody said whose such an object is", key.method, key.path)
			continue
		}
		target := strings.NewReplacer(":id", ids[kind], ":digest", ids[kind], ":n", "1").Replace(key.path)
		body, header := "", []string(nil)
		if key.method == http.MethodPost && !strings.HasPrefix(key.path, base) { // a page's form
			body, header = "rev=1", []string{"Content-Type", "application/x-www-form-urlencoded"}
		}
		if key.method == http.MethodPut {
			body, header = "{}", []string{"Content-Type", "application/json"}
		}
		if got := ask(t, w.s.Handler(), key.method, target, other, body, header...).Code; got != http.StatusNotFound {
			t.Errorf("%s %s of somebody else's: %d", key.method, key.path, got)
		}
		asked++
		if key.method == http.MethodGet && ask(t, w.s.Handler(), key.method, target, owner, "").Code == http.StatusOK {
			letIn++
		}
	}
	if asked < 12 || letIn < 8 {
		t.Errorf("%d routes were asked, the owner was let in at %d", asked, letIn)
	}
}
