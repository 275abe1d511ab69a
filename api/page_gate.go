package api

import (
	"context"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
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

// askSecond lets a second person sign in on the bar, by PIN where this device is a station.
func (s *Server) askSecond(ctx context.Context, bar *web.StationBar, g db.Gate) error {
	_, station, err := s.stationIn(ctx)
	if err != nil {
		return err
	}
	bar.Second = &web.SecondView{Run: g.Run.ID.String(), Ask: bar.Ask, By: g.Facts.Circumstances.Second, PIN: station}
	if bar.Second.By != "" {
		bar.Said = []string{bar.Second.By + " stands by"}
	}
	return nil
}
