package api

import (
	"context"
	"net/http"

	"kerfgate/api/enrol"
	"kerfgate/api/wire"
	"kerfgate/db"
)

// MakeWorkerCode is POST /machines/{id}/worker-code.
func (s *Server) MakeWorkerCode(ctx context.Context, request wire.MakeWorkerCodeRequestObject) (wire.MakeWorkerCodeResponseObject, error) {
	code := enrol.Code{Secret: enrol.NewSecret(), Trust: s.cfg.Trust.Digest()}
	until, err := s.store.MakeEnrolCode(ctx, actorIn(ctx), db.NewEnrolCode{Kind: db.EnrolsWorker, Machine: request.ID, Hash: code.Secret.Hash()})
	if err != nil {
		return nil, err
	}
	return wire.MakeWorkerCode201JSONResponse{Code: code.String(), ExpiresAt: utc(until)}, nil
}

// MakeStationCode is POST /machines/{id}/station-code.
func (s *Server) MakeStationCode(ctx context.Context, request wire.MakeStationCodeRequestObject) (wire.MakeStationCodeResponseObject, error) {
	secret := enrol.NewSecret()
	until, err := s.store.MakeEnrolCode(ctx, actorIn(ctx), db.NewEnrolCode{Kind: db.EnrolsStation, Machine: request.ID,
		Name: request.Body.Name, Hash: secret.Hash()})
	if err != nil {
		return nil, err
	}
	return wire.MakeStationCode201JSONResponse{Code: secret.String(), ExpiresAt: utc(until)}, nil
}

// RevokeWorker is DELETE /machines/{id}/worker.
func (s *Server) RevokeWorker(ctx context.Context, request wire.RevokeWorkerRequestObject) (wire.RevokeWorkerResponseObject, error) {
	if err := s.store.RevokeWorker(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.RevokeWorker204Response{}, nil
}

// GetTrust is GET /enrol/trust.
func (s *Server) GetTrust(context.Context, wire.GetTrustRequestObject) (wire.GetTrustResponseObject, error) {
	t := s.cfg.Trust
	return wire.GetTrust200JSONResponse{PermitKey: t.PermitKey, LogKey: t.LogKey, CaPem: string(t.CA)}, nil
}

// enrolTry counts a try of a code from the caller's address; five wrong ones close enrolment to it for
// a while. Nobody else's enrolment is held up by them.
func (s *Server) enrolTry(ctx context.Context) (succeeded func(), err error) {
	return s.limiter.count(limit{triedKey{"enrolment", visitIn(ctx).address}, accountTries})
}

// EnrolWorker is POST /enrol/worker.
func (s *Server) EnrolWorker(ctx context.Context, request wire.EnrolWorkerRequestObject) (wire.EnrolWorkerResponseObject, error) {
	succeeded, err := s.enrolTry(ctx)
	if err != nil {
		return nil, err
	}
	secret, err := enrol.ParseSecret(request.Body.Secret)
	if err != nil {
		return nil, db.ErrEnrolCode
	}
	m, err := s.store.EnrolWorker(ctx, secret.Hash(), request.Body.PublicKey, request.Body.LastReport)
	if err != nil {
		return nil, err
	}
	succeeded()
	return wire.EnrolWorker201JSONResponse{MachineID: m.ID, BrokerURL: s.cfg.BrokerURL, Origin: s.cfg.Origin}, nil
}

// ReplaceWorkerKey is POST /enrol/worker-key.
func (s *Server) ReplaceWorkerKey(ctx context.Context, request wire.ReplaceWorkerKeyRequestObject) (wire.ReplaceWorkerKeyResponseObject, error) {
	succeeded, err := s.enrolTry(ctx)
	if err != nil {
		return nil, err
	}
	b := request.Body
	if err := s.store.ReplaceWorkerKey(ctx, b.MachineID, b.Before, b.After, b.Signature); err != nil {
		return nil, err
	}
	succeeded()
	return wire.ReplaceWorkerKey204Response{}, nil
}

// EnrolStation is POST /enrol/station.
func (s *Server) EnrolStation(ctx context.Context, request wire.EnrolStationRequestObject) (wire.EnrolStationResponseObject, error) {
	st, cookie, err := s.enrolStation(ctx, request.Body.Code)
	if err != nil {
		return nil, err
	}
	return cookieAnswer{cookie, wire.EnrolStation201JSONResponse(stationShape(st)).VisitEnrolStationResponse}, nil
}

func (s *Server) enrolStation(ctx context.Context, code string) (db.Station, *http.Cookie, error) {
	succeeded, err := s.enrolTry(ctx)
	if err != nil {
		return db.Station{}, nil, err
	}
	secret, err := enrol.ParseSecret(code)
	if err != nil {
		return db.Station{}, nil, db.ErrEnrolCode
	}
	token, hash := newToken()
	st, err := s.store.EnrolStation(ctx, secret.Hash(), hash)
	if err != nil {
		return db.Station{}, nil, err
	}
	succeeded()
	return st, s.stationCookie(token), nil
}

// ListStations is GET /stations.
func (s *Server) ListStations(ctx context.Context, _ wire.ListStationsRequestObject) (wire.ListStationsResponseObject, error) {
	all, err := s.store.Stations(ctx)
	if err != nil {
		return nil, err
	}
	list := wire.StationList{Stations: []wire.Station{}}
	for _, st := range all {
		list.Stations = append(list.Stations, stationShape(st))
	}
	return wire.ListStations200JSONResponse(list), nil
}

// RevokeStation is DELETE /stations/{id}.
func (s *Server) RevokeStation(ctx context.Context, request wire.RevokeStationRequestObject) (wire.RevokeStationResponseObject, error) {
	if err := s.store.RevokeStation(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.RevokeStation204Response{}, nil
}

func stationShape(st db.Station) wire.Station {
	return wire.Station{ID: st.ID, MachineID: st.Machine, Name: st.Name, EnrolledAt: utc(st.EnrolledAt), RevokedAt: someTime(st.RevokedAt)}
}
