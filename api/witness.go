package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// WitnessLogbook is GET /logbook/witness. Where the log is shorter than the head that is kept there is
// no proof, and whoever asks knows.
func (s *Server) WitnessLogbook(ctx context.Context, request wire.WitnessLogbookRequestObject) (wire.WitnessLogbookResponseObject, error) {
	w := wire.Witness{Proof: [][]byte{}, Successors: []string{}}
	if from := request.Params.From; from != nil {
		if *from < 0 {
			return nil, invalid("from", "there is no such size", "give the size of the head that is kept")
		}
		w.From = *from
	}
	h, err := s.store.ProveHead(ctx, w.From)
	if err != nil {
		return nil, err
	}
	w.Head = string(h.Head)
	for _, hash := range h.Proof {
		w.Proof = append(w.Proof, hash[:])
	}
	notes, err := s.store.Successors(ctx, db.LogKey)
	if err != nil {
		return nil, err
	}
	for _, note := range notes {
		w.Successors = append(w.Successors, string(note))
	}
	return wire.WitnessLogbook200JSONResponse(w), nil
}
