package api

import (
	"context"
	"fmt"

	"kerfgate/api/web"
	"kerfgate/db"
)

// stationTurn fills in what stands in the queue of a run that waits, and the lots that it may be swapped to.
func (s *Server) stationTurn(ctx context.Context, l db.Lane, r db.Run, who reader, v *web.StationRun) error {
	if p, ok := l.Queue.ByRun(r.ID); ok {
		v.Why, v.Absent = who.why(p), p.Absent
		if !p.CalledSeen {
			v.Called = s.localOrNil(p.Called)
		}
	}
	if !v.MaySwap() {
		return nil
	}
	lots, err := s.store.Swappable(ctx, r)
	if err != nil {
		return err
	}
	for _, st := range lots {
		v.Swaps = append(v.Swaps, web.Choice{Value: st.ID.String(), Label: fmt.Sprintf("lot %s, %s, %s, %s, %d free", st.Lot, st.Colour,
			thickWords(st.Stock), web.Size(st.SheetWidthUM, st.SheetHeightUM), st.Count-st.Reserved)})
	}
	return nil
}
