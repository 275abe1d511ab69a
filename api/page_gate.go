package api

import (
	"kerfgate/api/web"
	"kerfgate/checklist"
)

// offerPairs puts the register's pairs into the eyewear bar: to choose from those that fit this beam, and
// apart from them the others with why not.
func (s *Server) offerPairs(bar *web.StationBar, f checklist.Facts) {
	var fit []web.PairView
	for _, v := range checklist.Pairs(f) {
		p := web.PairView{Label: v.Label, Marking: v.Marking, Why: v.Why, Fits: v.Fits, LookedAt: s.local(v.LookedAt)}
		if v.Fits {
			fit = append(fit, p)
		} else {
			bar.Unfit = append(bar.Unfit, p)
		}
	}
	for i := range bar.Fields {
		if bar.Fields[i].Key == "pair" {
			bar.Fields[i].Pairs = fit
		}
	}
}
