package api

import (
	"context"
	"fmt"
	"io"
	"net/http"

	"github.com/google/uuid"

	"kerfgate/api/paper"
	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
)

// dossier gathers a run's dossier, and the machine with the profile that stood then, waiting its turn among
// proofs.
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
	m.Profile, m.ProfileDigest = d.Profile, d.ProfileDigest
	return d, m, err
}

// estimate is what the fume of a run comes to in the exhaust, with the machine as it stood then.
func estimate(d db.Dossier) (checklist.Number, bool) {
	tool, _ := d.Profile.Tool(d.Run.Tool) // a tool that is gone makes no smoke
	return checklist.Expected(d.Profile, tool, d.Plan.Plan.Numbers.FumeUG, d.Plan.Plan.Numbers.BeamMS)
}

// GetDossier is GET /runs/{id}/dossier.
func (s *Server) GetDossier(ctx context.Context, request wire.GetDossierRequestObject) (wire.GetDossierResponseObject, error) {
	d, m, err := s.dossier(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	return wire.GetDossier200JSONResponse(dossierShape(d, m)), nil
}

func dossierShape(d db.Dossier, m db.Machine) wire.Dossier {
	shape := wire.Dossier{Run: runShape(d.Run), Plan: planShape(d.Plan), Profile: d.ProfileDigest.String(), Bars: []wire.SignedBar{}, Upkeep: []wire.UpkeepThen{},
		Lockouts: []wire.LockoutThen{}, Watches: []wire.WatchThen{}, Incidents: []wire.IncidentDetail{}, Photos: []wire.PhotoThen{},
		Entries: []wire.ProvenEntry{}, Head: d.Head.Note}
	shape.Plan.Hazards = []wire.BarNumber{} // those of the gate stand with its bars, as they were signed
	if n, ok := estimate(d); ok {
		number := numberShape(n)
		shape.Estimate = &number
	}
	if d.Signed != nil {
		shape.SignedAt = someTime(&d.Signed.At)
		a := authorisationShape(d.Authorisation.Authorisation)
		shape.Authorisation, shape.AuthorisationWithdrawnAt = &a, someTime(d.Authorisation.WithdrawnAt)
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
		watch := wire.WatchThen{Watcher: w.Watcher, OpenedAt: utc(w.OpenedAt), Until: utc(w.Until), ClosedAt: someTime(w.ClosedAt), Looks: []wire.LookThen{}}
		for _, l := range w.Looks {
			watch.Looks = append(watch.Looks, wire.LookThen{At: utc(l.At), By: l.Name, SawFire: l.Fire})
		}
		shape.Watches = append(shape.Watches, watch)
	}
	for _, i := range d.Incidents {
		detail := incidentDetail(i.Incident, i.Notes, i.FollowUps)
		detail.Particulars = particularsShape(i.Particulars) // a dossier is for officers and admins alone
		shape.Incidents = append(shape.Incidents, detail)
	}
	for _, p := range d.Photos {
		shape.Photos = append(shape.Photos, wire.PhotoThen{Path: photoPath(p.Incident, p.N), At: utc(p.At), Digest: p.Digest.String()})
	}
	for n, e := range d.Entries {
		shape.Entries = append(shape.Entries, wire.ProvenEntry{Index: e.Index, At: utc(e.Entry.Time), Kind: string(e.Entry.Kind), Who: e.ActorName,
			Data: e.Raw, Proof: string(d.Proofs[n])})
	}
	return shape
}

func photoPath(incident uuid.UUID, n int64) string {
	return fmt.Sprintf("%s/incidents/%s/photos/%d", base, incident, n)
}

// GetDossierPDF is GET /runs/{id}/dossier.pdf.
func (s *Server) GetDossierPDF(ctx context.Context, request wire.GetDossierPDFRequestObject) (wire.GetDossierPDFResponseObject, error) {
	d, m, err := s.dossier(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	doc := paper.Dossier{View: s.dossierView(d, m), Plan: d.Plan.Plan, Proofs: d.Proofs}
	if d.Run.HasPicture {
		if doc.Sheet, err = s.store.RunPicture(ctx, actorIn(ctx), d.Run.ID); err != nil {
			return nil, err
		}
	}
	for _, p := range d.Photos {
		photo, err := s.store.IncidentPhoto(ctx, p.Incident, p.N)
		if err != nil {
			return nil, err
		}
		doc.Photos = append(doc.Photos, photo)
	}
	return dossierFile{doc: doc, number: d.Run.Number}, nil
}

// dossierFile sends a dossier on paper.
type dossierFile struct {
	doc    paper.Dossier
	number int64
}

// VisitGetDossierPDFResponse writes the file.
func (f dossierFile) VisitGetDossierPDFResponse(w http.ResponseWriter) error {
	return sendFile(w, "application/pdf", fmt.Sprintf("run-%d-dossier.pdf", f.number), func(out io.Writer) error { return f.doc.Write(out) })
}
