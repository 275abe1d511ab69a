package api

import (
	"context"
	"io"
	"net/http"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
)

// dossier gathers a run's dossier, and the machine as it is now, waiting its turn among proofs.
func (s *Server) dossier(ctx context.Context, id uuid.UUID) (db.Dossier, db.Machine, error) {
	release, err := s.proofs.take(ctx)
	if err != nil {
		return db.Dossier{}, db.Machine{}, err
	}
	defer release()
	d, err := s.store.Dossier(ctx, actorIn(ctx), id)
	if err != nil {
		return d, db.Machine{}, err
	}
	m, err := s.store.Machine(ctx, d.Run.Machine)
	return d, m, err
}

// GetDossier is GET /runs/{id}/dossier.
func (s *Server) GetDossier(ctx context.Context, request wire.GetDossierRequestObject) (wire.GetDossierResponseObject, error) {
	d, m, err := s.dossier(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	shape := wire.Dossier{Run: runShape(d.Run), Bars: []wire.SignedBar{}, Upkeep: []wire.UpkeepThen{}, Lockouts: []wire.LockoutThen{},
		Watches: []wire.WatchThen{}, Incidents: []wire.Incident{}, Entries: []wire.ProvenEntry{}}
	if d.Signed != nil {
		shape.SignedAt = someTime(&d.Signed.At)
		a := authorisationShape(*d.Authorisation)
		shape.Authorisation = &a
		for _, b := range recordOf(d.Run, m, d.Signed) {
			bar := wire.SignedBar{Key: b.Item.Key, Title: b.Item.Title, Needs: b.Needs, Values: map[string]string(b.Values), Numbers: append([]string{}, b.Numbers...)}
			shape.Bars = append(shape.Bars, bar)
		}
	}
	for _, u := range d.Upkeep {
		shape.Upkeep = append(shape.Upkeep, wire.UpkeepThen{What: u.What, Critical: u.Critical, DoneAt: someTime(u.DoneAt), By: u.By, Note: u.Note})
	}
	for _, l := range d.Lockouts {
		shape.Lockouts = append(shape.Lockouts, wire.LockoutThen{Reason: l.Reason, SetBy: l.SetBy, SetAt: utc(l.SetAt), LiftedAt: someTime(l.LiftedAt),
			LiftedBy: l.LiftedBy, LiftedReason: l.LiftedReason})
	}
	for _, w := range d.Watches {
		shape.Watches = append(shape.Watches, wire.WatchThen{Watcher: w.Watcher, OpenedAt: utc(w.OpenedAt), Until: utc(w.Until), ClosedAt: someTime(w.ClosedAt)})
	}
	for _, i := range d.Incidents {
		shape.Incidents = append(shape.Incidents, incidentShape(i))
	}
	for n, e := range d.Entries {
		shape.Entries = append(shape.Entries, wire.ProvenEntry{Index: e.Index, At: utc(e.Entry.Time), Kind: string(e.Entry.Kind), Who: e.ActorName,
			Data: e.Raw, Proof: string(d.Proofs[n])})
	}
	return wire.GetDossier200JSONResponse(shape), nil
}

// dossierPage is GET /runs/:id/dossier: the same on paper.
func (s *Server) dossierPage(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := pathID(c)
	if err != nil {
		return err
	}
	d, m, err := s.dossier(ctx, id)
	if err != nil {
		return err
	}
	row, err := s.store.PlanFor(ctx, actorIn(ctx), d.Run.Plan, d.Run.Machine)
	if err != nil {
		return err
	}
	v := web.DossierView{Shell: s.shell(c, "Dossier of a run", "/history"), JobTitle: d.Run.JobTitle, Member: d.Run.MemberName, Machine: machineView(m),
		Tool: d.Run.Tool, Material: d.Run.MaterialName, Lot: d.Run.StockLot, Plan: planView(row.Plan, d.Run.Plan, "plan"),
		Data: base + "/runs/" + id.String() + "/dossier", PlanDigest: d.Run.Plan.String()}
	v.RunView = s.runView(d.Run, m, d.Signed)
	tool, _ := m.Profile.Tool(d.Run.Tool) // a tool that is gone makes no smoke
	if n, ok := checklist.Expected(m.Profile, tool, row.Plan.Numbers.FumeUG, row.Plan.Numbers.BeamMS); ok {
		v.Estimate = numberViews([]checklist.Number{n})
	}
	if d.Signed != nil {
		v.SignedAt = s.local(d.Signed.At)
		v.Authorisation = &s.authorisationRows([]db.Authorisation{*d.Authorisation})[0]
		v.Authorisation.Soon = "" // as it stood then
	}
	for _, u := range d.Upkeep {
		v.Upkeep = append(v.Upkeep, web.UpkeepThen{What: u.What, Critical: u.Critical, DoneAt: s.localOrNil(u.DoneAt), By: u.By, Note: u.Note})
	}
	for _, l := range d.Lockouts {
		v.Lockouts = append(v.Lockouts, web.LockoutThen{Reason: l.Reason, SetBy: l.SetBy, SetAt: s.local(l.SetAt), LiftedAt: s.localOrNil(l.LiftedAt),
			LiftedBy: l.LiftedBy, LiftedReason: l.LiftedReason})
	}
	for _, w := range d.Watches {
		v.Watches = append(v.Watches, web.WatchThen{Watcher: w.Watcher, OpenedAt: s.local(w.OpenedAt), Until: s.local(w.Until), ClosedAt: s.localOrNil(w.ClosedAt)})
	}
	for _, i := range d.Incidents {
		v.Incidents = append(v.Incidents, s.incidentRow(i))
	}
	for n, e := range d.Entries {
		entry := s.entryView(e)
		v.Entries = append(v.Entries, entry)
		if n == len(d.Entries)-1 {
			v.Head = strings.TrimSpace(string(d.Proofs[n]))
		}
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderDossier(w, v) })
}
