package api

import (
	"io"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
)

// dossierPage is GET /runs/:id/dossier.
func (s *Server) dossierPage(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	d, m, err := s.dossier(c.Request().Context(), id)
	if err != nil {
		return err
	}
	v := s.dossierView(d, m)
	v.Shell = s.shell(c, "Dossier of a run", "/history")
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderDossier(w, v) })
}

// dossierView puts a dossier into words, for the page and for paper.
func (s *Server) dossierView(d db.Dossier, m db.Machine) web.DossierView {
	file := base + "/runs/" + d.Run.ID.String() + "/dossier"
	v := web.DossierView{JobTitle: d.Run.JobTitle, Member: d.Run.MemberName, Machine: machineView(m), Tool: d.Run.Tool, Material: d.Run.MaterialName,
		Lot: d.Run.StockLot, Plan: planView(d.Plan.Plan, d.Run.Plan, "plan"), PlanDigest: d.Run.Plan.String(), DrawingID: d.Plan.Plan.Drawing.String(),
		ProfileDigest: d.ProfileDigest.String(), Data: file, PDF: file + ".pdf", RunView: s.runView(d.Run, m, d.Signed)}
	if n, ok := estimate(d); ok {
		v.Estimate = numberViews([]checklist.Number{n})
	}
	if d.Signed != nil {
		v.SignedAt = s.local(d.Signed.At)
		v.Authorisation = &s.authorisationRows([]db.Authorisation{d.Authorisation.Authorisation})[0]
		v.Authorisation.Soon = "" // as it stood then
		v.WithdrawnAt = s.localOrNil(d.Authorisation.WithdrawnAt)
	}
	for _, u := range d.Upkeep {
		v.Upkeep = append(v.Upkeep, web.UpkeepThen{What: u.What, Critical: u.Critical, DoneAt: s.localOrNil(u.DoneAt), By: u.By, Note: u.Note})
	}
	for _, l := range d.Lockouts {
		v.Lockouts = append(v.Lockouts, web.LockoutThen{Reason: l.Reason, SetBy: l.SetBy, SetAt: s.local(l.SetAt), LiftedAt: s.localOrNil(l.LiftedAt),
			LiftedBy: l.LiftedBy, LiftedReason: l.LiftedReason})
	}
	for _, w := range d.Watches {
		watch := web.WatchThen{Watcher: w.Watcher, OpenedAt: s.local(w.OpenedAt), Until: s.local(w.Until), ClosedAt: s.localOrNil(w.ClosedAt)}
		for _, l := range w.Looks {
			watch.Looks = append(watch.Looks, web.LookView{At: s.local(l.At), By: l.Name, Fire: l.Fire})
		}
		v.Watches = append(v.Watches, watch)
	}
	for _, i := range d.Incidents {
		then := web.IncidentThen{IncidentRow: s.incidentRow(i.Incident), Particulars: particulars(i.Particulars), Notes: s.noteRows(i.Notes)}
		for _, f := range i.FollowUps {
			then.FollowUps = append(then.FollowUps, s.followUpRow(f))
		}
		v.Incidents = append(v.Incidents, then)
	}
	for _, p := range d.Photos {
		v.Photos = append(v.Photos, web.PhotoThen{Path: photoPath(p.Incident, p.N), At: s.local(p.At)})
	}
	for _, e := range d.Entries {
		v.Entries = append(v.Entries, s.entryView(e))
	}
	if len(d.Proofs) > 0 {
		head := web.HeadOf(d.Head.Note, s.local(d.Head.At))
		v.Head, v.Proof = &head, strings.TrimSpace(string(d.Proofs[len(d.Proofs)-1]))
	}
	return v
}
