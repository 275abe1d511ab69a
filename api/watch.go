package api

import (
	"context"
	"time"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
)

// CloseWatch is POST /machines/{id}/watch/close.
func (s *Server) CloseWatch(ctx context.Context, request wire.CloseWatchRequestObject) (wire.CloseWatchResponseObject, error) {
	if err := s.store.CloseWatch(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.CloseWatch204Response{}, nil
}

// LookAtWatch is POST /machines/{id}/watch/look.
func (s *Server) LookAtWatch(ctx context.Context, request wire.LookAtWatchRequestObject) (wire.LookAtWatchResponseObject, error) {
	if !request.Body.Saw.Valid() {
		return nil, invalid("saw", "what was seen is not said", "say nothing or fire")
	}
	closed, err := s.store.LookAtWatch(ctx, actorIn(ctx), request.ID, request.Body.Saw == wire.WatchLookSawFire)
	if err != nil {
		return nil, err
	}
	looked := wire.LookAtWatch200JSONResponse{Closed: closed}
	if !closed {
		m, err := s.store.Machine(ctx, request.ID)
		if err != nil {
			return nil, err
		}
		looked.Watch = watchShape(m.Watch, s.now())
	}
	return looked, nil
}

// TakeWatch is POST /machines/{id}/watch/take.
func (s *Server) TakeWatch(ctx context.Context, request wire.TakeWatchRequestObject) (wire.TakeWatchResponseObject, error) {
	if err := s.store.TakeWatch(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	m, err := s.store.Machine(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	if m.Watch == nil {
		return nil, db.ErrNotFound // it ended meanwhile
	}
	return wire.TakeWatch200JSONResponse(*watchShape(m.Watch, s.now())), nil
}

func watchShape(w *db.Watch, now time.Time) *wire.Watch {
	if w == nil {
		return nil
	}
	return &wire.Watch{ID: w.ID, RunID: w.Run, WatcherID: w.Watcher, WatcherName: w.WatcherName, Until: utc(w.At(now).Until),
		LookDueAt: utc(w.Due()), LookEveryS: int64(w.Every / time.Second), Missed: !w.Running && w.Missed(now), RunWatches: w.Running}
}

// GetFireWatch is GET /site/fire-watch.
func (s *Server) GetFireWatch(ctx context.Context, _ wire.GetFireWatchRequestObject) (wire.GetFireWatchResponseObject, error) {
	choice, err := s.fireWatchChoice(ctx)
	return wire.GetFireWatch200JSONResponse(choice), err
}

// ChooseFireEdition is PUT /site/fire-watch.
func (s *Server) ChooseFireEdition(ctx context.Context, request wire.ChooseFireEditionRequestObject) (wire.ChooseFireEditionResponseObject, error) {
	if err := s.store.ChooseFireEdition(ctx, actorIn(ctx), request.Body.Edition); err != nil {
		return nil, err
	}
	choice, err := s.fireWatchChoice(ctx)
	return wire.ChooseFireEdition200JSONResponse(choice), err
}

func (s *Server) fireWatchChoice(ctx context.Context) (wire.FireWatchChoice, error) {
	site, err := s.store.Site(ctx)
	if err != nil {
		return wire.FireWatchChoice{}, err
	}
	choice := wire.FireWatchChoice{Chosen: site.FireEdition, LookEveryS: int64(checklist.LookEvery / time.Second)}
	for _, e := range checklist.FireEditions() {
		choice.Editions = append(choice.Editions, wire.FireEdition{Key: e.Key, Name: e.Name, Words: e.Words, Minutes: e.Minutes})
	}
	return choice, nil
}

// NameContact is PUT /site/contact.
func (s *Server) NameContact(ctx context.Context, request wire.NameContactRequestObject) (wire.NameContactResponseObject, error) {
	if err := s.store.NameContact(ctx, actorIn(ctx), request.Body.Contact); err != nil {
		return nil, err
	}
	return wire.NameContact204Response{}, nil
}
