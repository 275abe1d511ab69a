package db

import (
	"context"
	"slices"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
)

// Dossier is everything that is kept about one run, as it stood then; what was added later stands beside
// it and changes nothing of it.
type Dossier struct {
	Run  Run
	Plan PlanRow
	// Profile is the machine's as the sign-off binds it; of a run that was never signed, as its plan was made
	// with.
	Profile       machine.Profile
	ProfileDigest canon.Digest
	Signed        *Signed            // nil where it was never signed
	Authorisation *AuthorisationThen // that the sign-off binds
	Upkeep        []UpkeepThen
	Lockouts      []LockoutThen
	Watches       []WatchThen
	Incidents     []IncidentThen
	Photos        []PhotoThen
	Entries       []LogEntry // of the logbook about this run, oldest first
	Head          KeptHead   // the oldest that covers all these entries
	Proofs        [][]byte   // one an entry under that head, C2SP tlog-proof
}

// maxDossierEntries bounds how many entries a dossier proves; a run has some dozens.
const maxDossierEntries = 2000

// Dossier gathers what is kept about a run, in a fixed number of queries. Until
// something is added about the run it says the same each time. Errors: ErrNotFound.
func (s *Store) Dossier(ctx context.Context, actor Actor, id uuid.UUID) (Dossier, error) {
	r, err := s.Run(ctx, actor, id)
	if err != nil {
		return Dossier{}, err
	}
	d := Dossier{Run: r}
	if d.Plan, err = s.PlanFor(ctx, actor, r.Plan, r.Machine); err != nil {
		return d, err
	}
	signed, err := s.SignOffs(ctx, id)
	if err != nil {
		return d, err
	}
	d.ProfileDigest = d.Plan.Plan.Profile
	if so, ok := signed[id]; ok {
		d.Signed, d.ProfileDigest = &so, so.Profile
		if d.Authorisation, err = s.authorisationThen(ctx, so); err != nil {
			return d, err
		}
	}
	if d.Profile, err = s.profileKept(ctx, d.ProfileDigest); err != nil {
		return d, err
	}
	if err := s.surroundings(ctx, &d); err != nil {
		return d, err
	}
	if d.Entries, err = s.LogEntries(ctx, LogFilter{Before: -1, Limit: maxDossierEntries, Subject: id}); err != nil {
		return d, err
	}
	slices.Reverse(d.Entries)
	return d, s.prove(ctx, &d)
}

// prove proves a dossier's entries under one head.
func (s *Store) prove(ctx context.Context, d *Dossier) (err error) {
	if len(d.Entries) == 0 {
		return nil
	}
	if d.Head, err = s.headOver(ctx, d.Entries[len(d.Entries)-1].Index); err != nil {
		return err
	}
	indexes := make([]int64, len(d.Entries))
	for i, e := range d.Entries {
		indexes[i] = e.Index
	}
	d.Proofs, err = s.proofsUnder(ctx, []byte(d.Head.Note), d.Head.Size, indexes)
	return err
}

// profileKept reads one version of a machine's profile. Errors: ErrNotFound.
func (s *Store) profileKept(ctx context.Context, digest canon.Digest) (p machine.Profile, err error) {
	var data []byte
	if err := s.pool.QueryRow(ctx, `SELECT data FROM profile WHERE digest = $1`, digest[:]).Scan(&data); err != nil {
		return p, meaning(err)
	}
	return p, canon.Unmarshal(data, &p)
}
