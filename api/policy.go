package api

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kerfgate/db"
)

// role is what a caller can be to a route. A person has several at once: everybody signed in is a
// member, a member with a valid authorisation for any machine is an operator, officer and admin come
// from the account. Whether an operator may operate this machine, and whether an object is
// somebody's own, is the store's to decide.
type role string

const (
	anyone   role = "anyone" // no sign-in
	member   role = "member"
	operator role = "operator"
	officer  role = role(db.RoleOfficer)
	admin    role = role(db.RoleAdmin)
)

// routeKey names a route as the router does.
type routeKey struct{ method, path string }

// rule is one row of the matrix: which roles suffice, and how the route treats a request.
type rule struct {
	routeKey
	roles []role
	// stop routes are answered before everything that could refuse or delay them (I5).
	stop bool
	// once: the route takes an Idempotency-Key.
	once bool
	// body is the largest body in bytes; zero means that the route reads none.
	body int64
	// upload routes hold a whole file in memory and wait for one of the upload slots.
	upload bool
	// handIn routes are those that a token with the scope hand-in may change.
	handIn bool
	// metrics: a program on the server's own computer needs no sign-in, any other a token with that scope.
	metrics bool
	// stream routes stay open; a foreign Origin is refused though they are GETs.
	stream bool
}

const (
	base = "/api/v1"

	kib          = 1 << 10
	mib          = 1 << 20
	jsonBody     = 64 * kib
	passkeyBody  = 16 * kib
	drawingBody  = 32*mib + 64*kib // the drawing's own 32 MiB and the form around it
	drawingLimit = 32 * mib
	uploadSlots  = 4
)

// policy is the whole matrix of the JSON routes, roles by route.
func policy() []rule {
	get := func(path string, roles ...role) rule {
		return rule{routeKey: routeKey{http.MethodGet, base + path}, roles: roles}
	}
	post := func(path string, body int64, roles ...role) rule {
		return rule{routeKey: routeKey{http.MethodPost, base + path}, roles: roles, body: body, once: true}
	}
	put := func(path string, body int64, roles ...role) rule {
		return rule{routeKey: routeKey{http.MethodPut, base + path}, roles: roles, body: body}
	}
	del := func(path string, roles ...role) rule {
		return rule{routeKey: routeKey{http.MethodDelete, base + path}, roles: roles}
	}
	stop := func(path string) rule {
		return rule{routeKey: routeKey{http.MethodPost, base + path}, roles: []role{anyone}, stop: true}
	}
	signIn := rule{routeKey: routeKey{http.MethodPost, base + "/sessions"}, roles: []role{anyone}, body: 4 * kib}
	drawings := post("/drawings", drawingBody, member)
	drawings.upload = true
	unsigned := func(path string, body int64) rule {
		return rule{routeKey: routeKey{http.MethodPost, base + path}, roles: []role{anyone}, body: body}
	}
	handIn := func(r rule) rule {
		r.handIn = true
		return r
	}
	events := get("/events", anyone)
	events.stream = true

	return []rule{
		get("/health", anyone),
		signIn,
		unsigned("/sessions/pin", 4*kib),
		unsigned("/sessions/passkey/challenge", 0),
		unsigned("/sessions/passkey", passkeyBody),
		del("/sessions/current", member),
		get("/me", member),
		put("/me/pin", 4*kib, member),
		put("/me/password", 4*kib, member),
		get("/me/sessions", member),
		del("/me/sessions/:id", member),
		post("/me/tokens", 4*kib, member),
		get("/me/passkeys", member),
		post("/me/passkeys/challenge", 4*kib, member),
		post("/me/passkeys", passkeyBody, member),
		del("/me/passkeys/:id", member),

		get("/people", officer, admin),
		get("/people/:id", officer, admin),
		put("/people/:id", 4*kib, admin),
		del("/people/:id", admin),
		post("/people/:id/authorisations", 4*kib, officer, admin),
		del("/authorisations/:id", officer, admin),
		get("/invitations", admin),
		post("/invitations", 4*kib, admin),
		del("/invitations/:id", admin),
		unsigned("/invitations/accept", 4*kib),

		get("/enrol/trust", anyone),
		unsigned("/enrol/worker", 4*kib),
		unsigned("/enrol/worker-key", 4*kib),
		unsigned("/enrol/worker-listener", 8*kib),
		unsigned("/enrol/station", 4*kib),
		get("/stations", officer, admin),
		del("/stations/:id", officer, admin),
		post("/machines/:id/worker-code", 0, officer, admin),
		post("/machines/:id/station-code", 4*kib, officer, admin),
		del("/machines/:id/worker", officer, admin),

		get("/machines", member),
		get("/machines/:id", member),
		post("/machines/:id/lockout", jsonBody, operator, officer, admin),
		post("/machines/:id/lockout/lift", jsonBody, officer),
		stop("/machines/:id/stop"),
		get("/machines/:id/queue", member),
		post("/machines/:id/watch/close", 0, operator, officer),
		post("/machines/:id/watch/look", 4*kib, operator, officer),
		post("/machines/:id/watch/take", 0, operator, officer),
		get("/site/health", officer, admin),
		get("/site/fire-watch", member),
		put("/site/fire-watch", 4*kib, officer),
		put("/site/contact", 4*kib, officer),
		get("/machines/:id/commissionings", officer, admin),
		post("/machines/:id/commissionings", 4*kib, officer),
		get("/commissionings/:id", officer, admin),
		del("/commissionings/:id", officer),
		put("/commissionings/:id/answers/:item", 4*kib, officer),
		post("/commissionings/:id/publish", 0, officer),

		get("/materials", member),
		get("/materials/:id", member),
		post("/materials", jsonBody, officer),
		put("/materials/:id", jsonBody, officer),
		del("/materials/:id", officer),
		post("/materials/:id/stock", 4*kib, officer),
		put("/stock/:id/count", 4*kib, officer),
		post("/stock/:id/flame-test", 4*kib, officer),
		post("/materials/:id/settings", 4*kib, officer),
		del("/settings/:id", officer),
		handIn(drawings),
		get("/drawings/:id", member),
		get("/drawings/:id/original", member),
		handIn(post("/plans", jsonBody, member)),
		get("/plans/:digest", member),
		get("/plans/:digest/picture.svg", member),
		get("/plans/:digest/steps", member),

		get("/jobs", member),
		handIn(post("/jobs", jsonBody, member)),
		get("/jobs/:id", member),
		handIn(post("/jobs/:id/withdraw", 0, member)),
		handIn(put("/jobs/:id/set", 4*kib, member)),
		get("/sets", member),
		handIn(post("/sets", 4*kib, member)),
		get("/sets/:id", member),

		get("/pairs", operator, officer, admin),
		post("/pairs", 4*kib, officer, admin),
		post("/pairs/:id/look", 4*kib, operator, officer, admin),
		del("/pairs/:id", officer, admin),

		get("/board", anyone),
		get("/runs", member),
		get("/runs/export", member),
		get("/runs/:id", member),
		get("/runs/:id/gate", operator, officer),
		post("/runs/:id/checklist", 0, operator),
		del("/runs/:id/checklist", operator, officer),
		post("/runs/:id/setup", jsonBody, operator),
		put("/runs/:id/hold", 4*kib, operator),
		put("/runs/:id/placement", jsonBody, operator),
		put("/runs/:id/answers/:item", jsonBody, operator),
		put("/runs/:id/second", 4*kib, operator),
		post("/runs/:id/sign", 0, operator),
		post("/runs/:id/resume", 4*kib, operator),
		post("/runs/:id/pause", 0, operator, officer),
		post("/runs/:id/handover", 4*kib, operator),
		post("/runs/:id/take", 4*kib, operator),
		post("/runs/:id/call", 0, operator),
		post("/runs/:id/came", 0, member),
		post("/runs/:id/swap", 4*kib, operator),
		stop("/runs/:id/stop"),
		post("/runs/:id/inspection", jsonBody, operator, officer),
		get("/runs/:id/picture.png", member),
		get("/runs/:id/dossier", officer, admin),
		get("/runs/:id/dossier.pdf", officer, admin),

		get("/upkeep", member),
		post("/upkeep", 4*kib, officer),
		del("/upkeep/:id", officer),
		post("/upkeep/:id/done", 4*kib, operator, officer),

		get("/incidents", member),
		unsigned("/incidents", jsonBody),
		get("/incidents/rates", officer, admin),
		get("/incidents/:id", member),
		post("/incidents/:id/notes", jsonBody, operator, officer, admin),
		post("/incidents/:id/follow-ups", jsonBody, officer, admin),
		post("/follow-ups/:id/done", jsonBody, member),
		post("/incidents/:id/close", jsonBody, officer),
		get("/incidents/:id/photos/:n", member),

		get("/logbook", officer, admin),
		get("/logbook/export", officer, admin),
		get("/logbook/head", member),
		get("/logbook/witness", anyone),
		get("/logbook/check", officer, admin),
		get("/logbook/:index/proof", member),
		events,
	}
}

// open says whether the route asks for no sign-in.
func (r rule) open() bool { return slices.Contains(r.roles, anyone) }

// allow lets a request through to its handler when the caller has one of the rule's roles.
func (s *Server) allow(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := visitOf(c).rule
		if r.open() || r.metrics && fromThisComputer(c.Request()) {
			return next(c)
		}
		who, ok := personOf(c)
		if !ok {
			return errNotSignedIn
		}
		if !who.inScope(r) {
			return errScope
		}
		may, err := s.hasRole(c.Request().Context(), who, r.roles)
		if err != nil {
			return err
		}
		if !may {
			return db.ErrNotAllowed
		}
		return next(c)
	}
}

// inScope says whether the caller may ask the route at all: a person everything, a program with a token
// what its scopes name of the JSON routes.
func (w signedIn) inScope(r rule) bool {
	if w.Session.Kind != db.SessionToken {
		return true
	}
	switch {
	case r.metrics:
		return slices.Contains(w.Session.Scopes, db.ScopeMetrics)
	case !strings.HasPrefix(r.path, base+"/"):
		return false
	case r.handIn:
		return slices.Contains(w.Session.Scopes, db.ScopeHandIn)
	}
	return r.method == http.MethodGet && slices.Contains(w.Session.Scopes, db.ScopeRead)
}

func (s *Server) hasRole(ctx context.Context, who signedIn, roles []role) (bool, error) {
	r := who.Person.Role
	if slices.Contains(roles, member) || slices.Contains(roles, role(r)) ||
		r == db.RoleAll && (slices.Contains(roles, officer) || slices.Contains(roles, admin)) {
		return true, nil
	}
	if !slices.Contains(roles, operator) {
		return false, nil
	}
	return s.isOperator(ctx, who)
}

// isOperator says whether the person has a valid authorisation for any machine.
func (s *Server) isOperator(ctx context.Context, who signedIn) (bool, error) {
	all, err := s.authorisations(ctx, who.Person.ID)
	if err != nil {
		return false, err
	}
	now := s.now()
	return slices.ContainsFunc(all, func(a db.Authorisation) bool { return valid(a, now) }), nil
}

func valid(a db.Authorisation, now time.Time) bool { return now.Before(a.ExpiresAt) }
