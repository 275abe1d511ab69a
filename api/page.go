package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/api/wire"
	"kerfgate/db"
)

// formBody bounds a page's form without a file.
const formBody = 64 * kib

// pages lists the routes that answer with HTML or a static file.
func (s *Server) pages() []page {
	s.pageProblem = s.showProblem
	static := echo.WrapHandler(web.StaticHandler())
	return []page{
		{method: http.MethodGet, path: web.StaticPrefix + "*", roles: []role{anyone}, handler: static},

		{method: http.MethodGet, path: "/sign-in", roles: []role{anyone}, handler: s.signInPage},
		{method: http.MethodPost, path: "/sign-in", roles: []role{anyone}, body: 4 * kib, handler: s.signInForm},
		{method: http.MethodPost, path: "/sign-in/pin", roles: []role{anyone}, body: 4 * kib, handler: s.pinForm},
		{method: http.MethodPost, path: "/sign-out", roles: []role{anyone}, handler: s.signOutForm},

		{method: http.MethodGet, path: "/", roles: []role{anyone}, handler: s.boardPage},
		{method: http.MethodGet, path: "/board/lanes", roles: []role{anyone}, handler: s.boardLanes},

		{method: http.MethodGet, path: "/hand-in", roles: []role{member}, handler: s.handInPage},
		{method: http.MethodPost, path: "/hand-in", roles: []role{member}, body: drawingBody, upload: true, handler: s.handInDrawing},
		{method: http.MethodPost, path: "/hand-in/plan", roles: []role{member}, body: formBody, handler: s.handInPlan},
		{method: http.MethodPost, path: "/hand-in/submit", roles: []role{member}, body: formBody, handler: s.handInSubmit},

		{method: http.MethodPost, path: "/hand-in/draft", roles: []role{member}, body: formBody, handler: s.handInKeep},
		{method: http.MethodPost, path: "/hand-in/throw-away", roles: []role{member}, body: formBody, handler: s.handInThrowAway},
		{method: http.MethodGet, path: "/sets/:id", roles: []role{member}, handler: s.setPage},

		{method: http.MethodGet, path: "/jobs/:id", roles: []role{member}, handler: s.jobPage},
		{method: http.MethodGet, path: "/jobs/:id/main", roles: []role{member}, handler: s.jobMain},
		{method: http.MethodPost, path: "/jobs/:id/set", roles: []role{member}, body: formBody, handler: s.jobSetForm},
		{method: http.MethodPost, path: "/jobs/:id/withdraw", roles: []role{member}, body: formBody, handler: s.jobWithdraw},

		{method: http.MethodGet, path: "/site-ca", roles: []role{anyone}, handler: s.siteCAPage},
		{method: http.MethodGet, path: "/site-ca/certificate", roles: []role{anyone}, handler: s.siteCACertificate},
		{method: http.MethodGet, path: "/station-enrol", roles: []role{anyone}, handler: s.stationEnrolPage},
		{method: http.MethodPost, path: "/station-enrol", roles: []role{anyone}, body: 4 * kib, handler: s.stationEnrolForm},

		{method: http.MethodGet, path: "/stations", roles: []role{anyone}, handler: s.stationsPage},
		{method: http.MethodGet, path: "/station/:id", roles: []role{anyone}, handler: s.stationPage},
		{method: http.MethodGet, path: "/station/:id/main", roles: []role{anyone}, handler: s.stationMain},

		{method: http.MethodGet, path: "/eyewear", roles: []role{operator, officer, admin}, handler: s.eyewearPage},
		{method: http.MethodPost, path: "/eyewear", roles: []role{officer, admin}, body: formBody, handler: s.addPairForm},
		{method: http.MethodPost, path: "/eyewear/:id/look", roles: []role{operator, officer, admin}, body: formBody, handler: s.lookForm},
		{method: http.MethodPost, path: "/eyewear/:id/retire", roles: []role{officer, admin}, body: formBody, handler: s.retirePairForm},

		{method: http.MethodGet, path: "/materials", roles: []role{member}, handler: s.materialsPage},
		{method: http.MethodPost, path: "/materials", roles: []role{officer}, body: formBody, handler: s.addMaterialForm},
		{method: http.MethodGet, path: "/materials/:id", roles: []role{member}, handler: s.materialPage},
		{method: http.MethodPost, path: "/materials/:id", roles: []role{officer}, body: formBody, handler: s.changeMaterialForm},
		{method: http.MethodPost, path: "/materials/:id/retire", roles: []role{officer}, body: formBody, handler: s.retireMaterialForm},
		{method: http.MethodPost, path: "/materials/:id/lots", roles: []role{officer}, body: formBody, handler: s.addLotForm},
		{method: http.MethodPost, path: "/materials/:id/lots/:lot/count", roles: []role{officer}, body: formBody, handler: s.countLotForm},
		{method: http.MethodPost, path: "/materials/:id/lots/:lot/flame-test", roles: []role{officer}, body: formBody, handler: s.flameTestForm},
		{method: http.MethodPost, path: "/materials/:id/settings", roles: []role{officer}, body: formBody, handler: s.proveForm},
		{method: http.MethodPost, path: "/materials/:id/settings/:setting/withdraw", roles: []role{officer}, body: formBody, handler: s.withdrawProofForm},

		{method: http.MethodGet, path: "/history", roles: []role{member}, handler: s.historyPage},
		{method: http.MethodGet, path: "/runs/:id", roles: []role{member}, handler: s.runPage},
		{method: http.MethodGet, path: "/runs/:id/dossier", roles: []role{officer, admin}, handler: s.dossierPage},

		{method: http.MethodGet, path: "/upkeep", roles: []role{member}, handler: s.upkeepPage},
		{method: http.MethodPost, path: "/upkeep", roles: []role{officer}, body: formBody, handler: s.setUpkeepForm},
		{method: http.MethodPost, path: "/upkeep/:id/done", roles: []role{operator, officer}, body: photoBody + formBody, upload: true, handler: s.doUpkeepForm},
		{method: http.MethodPost, path: "/upkeep/:id/retire", roles: []role{officer}, body: formBody, handler: s.retireUpkeepForm},

		{method: http.MethodGet, path: "/incidents", roles: []role{member}, handler: s.incidentsPage},
		{method: http.MethodGet, path: "/incidents/new", roles: []role{anyone}, handler: s.reportPage},
		{method: http.MethodPost, path: "/incidents/new", roles: []role{anyone}, body: photoBody + formBody, upload: true, handler: s.reportForm},
		{method: http.MethodGet, path: "/incidents/:id", roles: []role{member}, handler: s.incidentPage},
		{method: http.MethodPost, path: "/incidents/:id/note", roles: []role{operator, officer, admin}, body: formBody, handler: s.incidentNoteForm},
		{method: http.MethodPost, path: "/incidents/:id/photo", roles: []role{operator, officer, admin}, body: photoBody + formBody, upload: true, handler: s.incidentPhotoForm},
		{method: http.MethodPost, path: "/incidents/:id/particulars", roles: []role{officer, admin}, body: formBody, handler: s.fillInForm},
		{method: http.MethodPost, path: "/incidents/:id/run", roles: []role{operator, officer, admin}, body: formBody, handler: s.linkRunForm},
		{method: http.MethodPost, path: "/incidents/:id/follow-up", roles: []role{officer, admin}, body: formBody, handler: s.followUpForm},
		{method: http.MethodPost, path: "/incidents/:id/done", roles: []role{member}, body: formBody, handler: s.followUpDoneForm},
		{method: http.MethodPost, path: "/incidents/:id/close", roles: []role{officer}, body: formBody, handler: s.closeIncidentForm},

		{method: http.MethodGet, path: "/people", roles: []role{officer, admin}, handler: s.peoplePage},
		{method: http.MethodPost, path: "/people/invite", roles: []role{admin}, body: formBody, handler: s.inviteForm},
		{method: http.MethodPost, path: "/people/invite/:id/withdraw", roles: []role{admin}, body: formBody, handler: s.withdrawInvitationForm},
		{method: http.MethodGet, path: "/people/:id", roles: []role{officer, admin}, handler: s.personPage},
		{method: http.MethodPost, path: "/people/:id", roles: []role{admin}, body: formBody, handler: s.personForm},
		{method: http.MethodPost, path: "/people/:id/authorise", roles: []role{officer, admin}, body: formBody, handler: s.authoriseForm},
		{method: http.MethodPost, path: "/people/:id/withdraw", roles: []role{officer, admin}, body: formBody, handler: s.withdrawForm},
		{method: http.MethodPost, path: "/people/:id/password", roles: []role{admin}, body: formBody, handler: s.passwordLinkForm},
		{method: http.MethodPost, path: "/people/:id/erase", roles: []role{admin}, body: formBody, handler: s.eraseForm},

		{method: http.MethodGet, path: "/machines/:id", roles: []role{operator, officer, admin}, handler: s.machinePage},
		{method: http.MethodGet, path: "/machines/:id/beam-sheet", roles: []role{anyone}, handler: s.beamSheetPage},
		{method: http.MethodPost, path: "/machines/:id/room", roles: []role{operator, officer}, body: formBody, handler: s.roomForm},
		{method: http.MethodGet, path: "/machines/:id/queue", roles: []role{member}, handler: s.queuePage},
		{method: http.MethodPost, path: "/machines/:id/queue/take", roles: []role{operator}, body: formBody, handler: s.takeRunForm},
		{method: http.MethodPost, path: "/machines/:id/queue/call", roles: []role{operator}, body: formBody, handler: s.callMemberForm},
		{method: http.MethodPost, path: "/machines/:id/queue/came", roles: []role{member}, body: formBody, handler: s.memberCameForm},
		{method: http.MethodPost, path: "/machines/:id/lockout", roles: []role{operator, officer, admin}, body: formBody, handler: s.lockoutForm},
		{method: http.MethodPost, path: "/machines/:id/lockout/lift", roles: []role{officer}, body: formBody, handler: s.liftForm},
		{method: http.MethodPost, path: "/machines/:id/view", roles: []role{officer}, body: formBody, handler: s.viewForm},
		{method: http.MethodPost, path: "/machines/:id/calibration-rule", roles: []role{officer}, body: formBody, handler: s.calibrationRuleForm},
		{method: http.MethodPost, path: "/machines/:id/calibrations", roles: []role{operator, officer}, body: formBody, handler: s.startCalibrationForm},
		{method: http.MethodGet, path: "/calibrations/:id", roles: []role{operator, officer, admin}, handler: s.calibrationPage},
		{method: http.MethodPost, path: "/calibrations/:id/readings", roles: []role{operator, officer}, body: formBody, handler: s.readingsForm},
		{method: http.MethodPost, path: "/calibrations/:id/accept", roles: []role{operator, officer}, body: formBody, handler: s.acceptCalibrationForm},
		{method: http.MethodPost, path: "/calibrations/:id/refuse", roles: []role{operator, officer}, body: formBody, handler: s.refuseCalibrationForm},
		{method: http.MethodPost, path: "/machines/:id/settings-grids", roles: []role{operator, officer}, body: formBody, handler: s.startGridForm},
		{method: http.MethodGet, path: "/settings-grids/:id", roles: []role{operator, officer, admin}, handler: s.gridPage},
		{method: http.MethodPost, path: "/settings-grids/:id/choose", roles: []role{operator, officer}, body: formBody, handler: s.chooseCellForm},
		{method: http.MethodPost, path: "/settings-grids/:id/flame", roles: []role{operator, officer}, body: formBody, handler: s.flameForm},
		{method: http.MethodGet, path: "/machines/:id/commissioning", roles: []role{officer, admin}, handler: s.commissioningPage},
		{method: http.MethodPost, path: "/machines/:id/commissioning", roles: []role{officer}, body: formBody, handler: s.beginCommissioningForm},
		{method: http.MethodPost, path: "/machines/:id/commissioning/publish", roles: []role{officer}, body: formBody, handler: s.publishCommissioningForm},
		{method: http.MethodPost, path: "/machines/:id/commissioning/abandon", roles: []role{officer}, body: formBody, handler: s.abandonCommissioningForm},
		{method: http.MethodGet, path: "/machines/:id/commissioning/ask/:item", roles: []role{officer}, handler: s.askPage},
		{method: http.MethodPost, path: "/machines/:id/commissioning/ask/:item", roles: []role{officer}, body: formBody, handler: s.askForm},
		{method: http.MethodPost, path: "/machines/:id/commissioning/ask/:item/measure", roles: []role{officer}, body: formBody, handler: s.measureForm},

		{method: http.MethodGet, path: "/machines/:id/watch", roles: []role{anyone}, handler: s.watchPage},
		{method: http.MethodPost, path: "/machines/:id/watch", roles: []role{operator, officer}, body: formBody, handler: s.watchForm},
		{method: http.MethodPost, path: "/machines/:id/watch/take", roles: []role{operator, officer}, body: formBody, handler: s.takeWatchForm},
		{method: http.MethodGet, path: "/site", roles: []role{officer, admin}, handler: s.sitePage},
		{method: http.MethodPost, path: "/site/kind", roles: []role{admin}, body: formBody, handler: s.settleForm},
		{method: http.MethodPost, path: "/site/limits", roles: []role{admin}, body: formBody, handler: s.limitsForm},
		{method: http.MethodPost, path: "/site/check", roles: []role{officer, admin}, body: formBody, handler: s.checkLogForm},
		{method: http.MethodGet, path: "/site/fire-watch", roles: []role{officer, admin}, handler: s.fireWatchPage},
		{method: http.MethodPost, path: "/site/fire-watch", roles: []role{officer}, body: formBody, handler: s.fireWatchForm},
		{method: http.MethodPost, path: "/site/contact", roles: []role{officer}, body: formBody, handler: s.contactForm},

		{method: http.MethodGet, path: "/me", roles: []role{member}, handler: s.mePage},
		{method: http.MethodPost, path: "/me/pin", roles: []role{member}, body: formBody, handler: s.mePINForm},
		{method: http.MethodPost, path: "/me/password", roles: []role{member}, body: formBody, handler: s.mePasswordForm},
		{method: http.MethodPost, path: "/me/sessions/:id/end", roles: []role{member}, body: formBody, handler: s.meSessionForm},
		{method: http.MethodPost, path: "/me/passkeys/:id/remove", roles: []role{member}, body: formBody, handler: s.mePasskeyForm},
		{method: http.MethodPost, path: "/me/tokens", roles: []role{member}, body: formBody, handler: s.meTokenForm},
		{method: http.MethodGet, path: joinPath + ":code", roles: []role{anyone}, handler: s.joinPage},
		{method: http.MethodPost, path: joinPath + ":code", roles: []role{anyone}, body: formBody, handler: s.joinForm},

		{method: http.MethodGet, path: "/metrics", roles: []role{officer, admin}, metrics: true, handler: s.metricsPage},
		{method: http.MethodGet, path: "/logbook", roles: []role{officer, admin}, handler: s.logbookPage},
		{method: http.MethodGet, path: "/logbook/check", roles: []role{officer, admin}, handler: s.logbookCheck},
		{method: http.MethodGet, path: "/logbook/head", roles: []role{member}, handler: s.headPage},
		{method: http.MethodGet, path: "/logbook/head/check", roles: []role{officer, admin}, handler: s.headCheckPage},
		{method: http.MethodPost, path: "/logbook/head/check", roles: []role{officer, admin}, body: formBody, handler: s.headCheckForm},
		{method: http.MethodGet, path: "/logbook/:index/proof", roles: []role{member}, handler: s.proofPage},
	}
}

// shell fills in what every page shows.
func (s *Server) shell(c echo.Context, title, here string) web.Shell {
	v := web.Shell{Title: title, Here: here, Now: s.local(s.now())}
	if who, ok := personOf(c); ok {
		v.Person = &web.Person{Name: who.Person.Name, Role: string(who.Person.Role)}
	}
	return v
}

// sendHTML sends a page whole or not at all.
func sendHTML(c echo.Context, status int, render func(w io.Writer) error) error {
	var b bytes.Buffer
	if err := render(&b); err != nil {
		return err
	}
	return c.HTMLBlob(status, b.Bytes())
}

// show sends a page, or the part of an open one that changes, as it is seen and drawn.
func show[V any](c echo.Context, see func(echo.Context) (V, error), render func(io.Writer, V) error) error {
	v, err := see(c)
	if err != nil {
		return err
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return render(w, v) })
}

// showProblem answers a browser whose request failed. Who is not signed in gets to the sign-in page
// and comes back.
func (s *Server) showProblem(c echo.Context, p *problem) error {
	req := c.Request()
	fragment := req.Header.Get("HX-Request") != ""
	if !fragment && !strings.Contains(req.Header.Get("Accept"), "text/html") {
		return writeProblem(c, p, visitOf(c)) // not a browser that shows a page
	}
	if p.status == http.StatusUnauthorized && req.Method == http.MethodGet && !fragment {
		return c.Redirect(http.StatusSeeOther, "/sign-in?next="+url.QueryEscape(req.URL.RequestURI()))
	}
	v := web.ProblemView{Shell: s.shell(c, web.Sentence(p.title), ""), Detail: p.detail, RequestID: visitOf(c).id.String()}
	if v.Problem = pageReasons(p); p.status == http.StatusNotFound {
		v.Title, v.Problem = "Not found", nil
		v.Detail = "There is no such page, or what it shows belongs to somebody else."
	} else if len(p.reasons) == 1 && p.reasons[0].What == p.title {
		v.Problem, v.Detail = nil, web.Sentence(p.reasons[0].Next)+"."
	}
	return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderProblem(w, v) })
}

// pageReasons shows a problem's reasons; nil when there are none.
func pageReasons(p *problem) *web.Problem {
	if len(p.reasons) == 0 {
		return nil
	}
	shown := &web.Problem{Title: web.Sentence(p.title)}
	for _, r := range p.reasons {
		shown.Reasons = append(shown.Reasons, web.Reason{What: web.Sentence(r.What), Next: web.Sentence(r.Next), Limit: text(r.Limit), Value: text(r.Value)})
	}
	return shown
}

func text(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// refusedForm says whether a form's error is shown on its own page, with everything typed kept. It
// also writes the refusal into the logbook, as the error handler does for other routes.
func (s *Server) refusedForm(c echo.Context, err error) (*problem, bool) {
	p := problemOf(err)
	switch p.status {
	case http.StatusConflict, http.StatusUnprocessableEntity:
		s.refusals.add(p.slug)
		if who, ok := personOf(c); ok {
			s.writeRefusal(c.Request().Context(), who.Actor(), visitOf(c))
		}
		return p, true
	}
	return p, false
}

// afterForm answers a page's form: on to another page where it was done, else the same page again with
// what was refused.
func (s *Server) afterForm(c echo.Context, err error, to string, again func(status int, problem *web.Problem) error) error {
	if err == nil {
		return c.Redirect(http.StatusSeeOther, to)
	}
	p, shown := s.refusedForm(c, err)
	if !shown {
		return err
	}
	return again(p.status, pageReasons(p))
}

// pathID reads the id in a page's address; what is none is not found.
func pathID(c echo.Context) (uuid.UUID, error) {
	id, err := uuid.Parse(c.Param("id"))
	if err != nil {
		return uuid.Nil, &problem{status: http.StatusNotFound, slug: "not-found", title: "not found",
			reasons: []wire.Reason{{What: "there is no such page", Next: "start from the board"}}}
	}
	return id, nil
}

// named reads what a page's address names.
func named[T any](c echo.Context, read func(context.Context, uuid.UUID) (T, error)) (one T, err error) {
	id, err := pathID(c)
	if err != nil {
		return one, err
	}
	return read(c.Request().Context(), id)
}

// namedTo reads what a page's address names and not everybody may see.
func namedTo[T any](c echo.Context, read func(context.Context, db.Actor, uuid.UUID) (T, error)) (T, error) {
	return named(c, func(ctx context.Context, id uuid.UUID) (T, error) { return read(ctx, actorIn(ctx), id) })
}

// signInPage is GET /sign-in.
func (s *Server) signInPage(c echo.Context) error {
	_, station, err := s.stationIn(c.Request().Context())
	if err != nil {
		return err
	}
	v := web.SignInView{Shell: s.shell(c, "Sign in", "/sign-in"), Next: ownPath(c.QueryParam("next")), Station: station, Passkeys: s.passkeysOn(c)}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderSignIn(w, v) })
}

// signInForm is POST /sign-in.
func (s *Server) signInForm(c echo.Context) error {
	name, next := c.FormValue("sign_in"), ownPath(c.FormValue("next"))
	o, err := s.signIn(c.Request().Context(), name, c.FormValue("password"), db.SessionBrowser)
	if err != nil {
		p := problemOf(err)
		if p.status >= http.StatusInternalServerError {
			return err
		}
		v := web.SignInView{Shell: s.shell(c, "Sign in", "/sign-in"), Next: next, SignInName: fileName(name), Passkeys: s.passkeysOn(c)}
		v.Problem = pageReasons(p)
		return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderSignIn(w, v) })
	}
	// Whoever was signed in before in this browser no longer is.
	if who, ok := personOf(c); ok {
		if err := s.store.EndSession(c.Request().Context(), who.Actor(), who.Session.ID); err != nil {
			s.log.Warn("session not ended", "request", visitOf(c).id, "error", err)
		}
	}
	c.SetCookie(s.sessionCookie(o.Token, o.Session.ExpiresAt))
	return c.Redirect(http.StatusSeeOther, next)
}

// signOutForm is POST /sign-out.
func (s *Server) signOutForm(c echo.Context) error {
	if who, ok := personOf(c); ok {
		if err := s.store.EndSession(c.Request().Context(), who.Actor(), who.Session.ID); err != nil {
			return err
		}
	}
	c.SetCookie(s.endedCookie())
	return c.Redirect(http.StatusSeeOther, "/")
}

// ownPath lets a redirect go to a path of this server only.
func ownPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") ||
		strings.ContainsAny(next, "\\\r\n\t") {
		return "/"
	}
	return next
}

// shortName is a name as it stands on a wall: the first name and an initial.
func shortName(name string) string {
	parts := strings.Fields(name)
	if len(parts) < 2 {
		return name
	}
	last := []rune(parts[len(parts)-1])
	return fmt.Sprintf("%s %c.", parts[0], last[0])
}

// local gives instants in the site's zone.
func (s *Server) local(t time.Time) time.Time {
	zone := s.store.Location()
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone)
}

func (s *Server) localOrNil(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	at := s.local(*t)
	return &at
}
