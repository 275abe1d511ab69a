package api

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/db"
)

var update = flag.Bool("update", false, "rewrite golden files")

// TestS8_Matrix asks every route as every caller, through the server's own middleware, and holds
// the outcome to a file that people read when they change rights.
func TestS8_Matrix(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	through := func(c echo.Context) error { return c.NoContent(http.StatusNoContent) }
	chain := s.nameRequest(s.route(unlessStop(s.identify)(unlessStop(s.allow)(through))))

	var b strings.Builder
	fmt.Fprintf(&b, "%-52s", "route")
	for _, r := range callers {
		fmt.Fprintf(&b, " %-8s", r)
	}
	b.WriteString("\n")
	rows := policy()
	for _, p := range s.pages() {
		rows = append(rows, s.rules[routeKey{p.method, p.path}])
	}
	for _, row := range rows {
		fmt.Fprintf(&b, "%-52s", row.method+" "+row.path)
		for _, caller := range callers {
			req := httptest.NewRequestWithContext(t.Context(), row.method, concrete(row.path), nil)
			if caller != anyone {
				req.Header.Set("Authorization", "Bearer "+string(caller))
			}
			c := s.echo.NewContext(req, httptest.NewRecorder())
			c.SetPath(row.path)
			word := "yes"
			switch err := chain(c); {
			case errors.Is(err, errNotSignedIn):
				word = "sign in"
			case errors.Is(err, db.ErrNotAllowed):
				word = "no"
			case err != nil:
				t.Errorf("%s %s as %s: %v", row.method, row.path, caller, err)
			}
			fmt.Fprintf(&b, " %-8s", word)
		}
		b.WriteString("\n")
	}
	golden := "testdata/matrix.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("rights differ from %s; run with -update and read the difference.\n%s", golden, b.String())
	}
}

// TestS8_RealRoutes: the same refusals through the whole server. A refused caller reaches no
// handler; the store, which is not there, would answer with a panic.
func TestS8_RealRoutes(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	for key, r := range s.rules {
		if r.open() {
			continue
		}
		rec := ask(t, s.Handler(), key.method, concrete(key.path), "", "")
		if strings.HasPrefix(key.path, base) && rec.Code != http.StatusUnauthorized {
			t.Errorf("%s %s without sign-in: %d", key.method, key.path, rec.Code)
		}
		if slices.Contains(r.roles, member) {
			continue
		}
		rec = ask(t, s.Handler(), key.method, concrete(key.path), string(member), "")
		if rec.Code != http.StatusForbidden {
			t.Errorf("%s %s as member: %d", key.method, key.path, rec.Code)
		}
	}
}

// TestS8_NoRouteWithoutRule: a route that nobody put into the matrix keeps the server from being
// made, and so does a row without a route.
func TestS8_NoRouteWithoutRule(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	if err := s.holdToPolicy(); err != nil {
		t.Fatal(err)
	}
	s.echo.GET(base+"/stray", func(c echo.Context) error { return c.NoContent(http.StatusOK) })
	if err := s.holdToPolicy(); err == nil || !strings.Contains(err.Error(), "/stray is not in the policy matrix") {
		t.Errorf("a stray route: %v", err)
	}
	if rec := ask(t, s.Handler(), http.MethodGet, base+"/stray", string(admin), ""); rec.Code != http.StatusNotFound {
		t.Errorf("a stray route answers %d", rec.Code)
	}
	s.rules[routeKey{http.MethodGet, base + "/stray"}] = rule{}
	if err := s.holdToPolicy(); err == nil || !strings.Contains(err.Error(), "lets nobody in") {
		t.Errorf("a row without roles: %v", err)
	}
	s.rules[routeKey{http.MethodGet, base + "/gone"}] = rule{roles: []role{anyone}}
	if err := s.holdToPolicy(); err == nil || !strings.Contains(err.Error(), "/gone has no route") {
		t.Errorf("a row without a route: %v", err)
	}
}

// TestMethods: only state changes have bodies and keys, every POST that asks for a sign-in has a key,
// and stops are the only rows that pass by the checks.
func TestMethods(t *testing.T) {
	t.Parallel()
	for _, r := range policy() {
		name := r.method + " " + r.path
		if isStop := strings.HasSuffix(r.path, "/stop"); r.stop != isStop || r.stop && (!r.open() || r.once || r.body != 0) {
			t.Errorf("%s: stop %v", name, r.stop)
		}
		switch r.method {
		case http.MethodGet:
			if r.once || r.body != 0 || r.stop {
				t.Errorf("%s: a GET changes nothing", name)
			}
		case http.MethodPost:
			if r.once == r.open() { // nobody's key is told from another's
				t.Errorf("%s: takes a key: %v", name, r.once)
			}
		}
	}
}

// TestS28_RefusalIsWrittenDown: who, and on which route, for 403, 409 and 422; nothing for nobody.
func TestS28_RefusalIsWrittenDown(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	var routes []string
	s.noteRefusal = func(_ context.Context, actor db.Actor, route string) error {
		if actor.Person == uuid.Nil {
			t.Error("a refusal of nobody")
		}
		routes = append(routes, route)
		return nil
	}
	ask(t, s.Handler(), http.MethodGet, base+"/logbook", string(member), "")
	ask(t, s.Handler(), http.MethodPost, base+"/jobs", string(member), `{"title":"","plan":"","copies":1}`)
	ask(t, s.Handler(), http.MethodGet, base+"/logbook", "", "")
	ask(t, s.Handler(), http.MethodGet, base+"/nowhere", string(member), "")
	want := []string{"GET " + base + "/logbook", "POST " + base + "/jobs"}
	if !slices.Equal(routes, want) {
		t.Errorf("written down: %q, want %q", routes, want)
	}
}
