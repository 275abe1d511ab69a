package api

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/api/enrol"
	"kerfgate/api/wire"
	"kerfgate/db"
)

// joinPath is where an invitation is opened, on a page.
const joinPath = "/join/"

// ListInvitations is GET /invitations.
func (s *Server) ListInvitations(ctx context.Context, _ wire.ListInvitationsRequestObject) (wire.ListInvitationsResponseObject, error) {
	all, err := s.store.Invitations(ctx)
	if err != nil {
		return nil, err
	}
	list := wire.InvitationList{Invitations: []wire.Invitation{}}
	for _, i := range all {
		list.Invitations = append(list.Invitations, invitationShape(i))
	}
	return wire.ListInvitations200JSONResponse(list), nil
}

// Invite is POST /invitations.
func (s *Server) Invite(ctx context.Context, request wire.InviteRequestObject) (wire.InviteResponseObject, error) {
	wanted := db.Invitation{Role: db.RoleMember}
	if b := request.Body; b.PersonID != nil {
		wanted.Person = *b.PersonID
	} else {
		if b.Role != nil {
			if !b.Role.Valid() {
				return nil, invalid("role", "there is no such role", "choose member, officer or admin; all on a site of one")
			}
			wanted.Role = db.Role(*b.Role)
		}
		if b.Name != nil {
			wanted.Name = *b.Name
		}
	}
	made, path, err := NewInvitation(ctx, s.store, actorIn(ctx), wanted)
	if err != nil {
		return nil, err
	}
	return wire.Invite201JSONResponse{Invitation: invitationShape(made), Path: path}, nil
}

// NewInvitation makes an invitation and the path on this site that opens it, which is told this once.
// Errors: those of db.Store.Invite.
func NewInvitation(ctx context.Context, store *db.Store, actor db.Actor, wanted db.Invitation) (made db.Invitation, path string, err error) {
	secret := enrol.NewSecret()
	made, err = store.Invite(ctx, actor, wanted, secret.Hash())
	return made, joinPath + secret.String(), err
}

// WithdrawInvitation is DELETE /invitations/{id}.
func (s *Server) WithdrawInvitation(ctx context.Context, request wire.WithdrawInvitationRequestObject) (wire.WithdrawInvitationResponseObject, error) {
	if err := s.store.WithdrawInvitation(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.WithdrawInvitation204Response{}, nil
}

// AcceptInvitation is POST /invitations/accept.
func (s *Server) AcceptInvitation(ctx context.Context, request wire.AcceptInvitationRequestObject) (wire.AcceptInvitationResponseObject, error) {
	p, err := s.accept(ctx, request.Body.Secret, db.NewPerson{SignInName: text(request.Body.SignIn), Name: text(request.Body.Name)}, request.Body.NewPassword)
	if err != nil {
		return nil, err
	}
	return wire.AcceptInvitation201JSONResponse(personShape(p)), nil
}

// accept makes the account of an invitation. Five wrong secrets close it to the address for a while,
// as with enrolment codes.
func (s *Server) accept(ctx context.Context, secret string, chosen db.NewPerson, password string) (db.Person, error) {
	invited, hash, err := s.invitedBy(ctx, secret)
	if err != nil {
		return db.Person{}, err
	}
	if invited.Person == uuid.Nil && chosen.SignInName == "" {
		return db.Person{}, invalid("sign_in", "a new account needs a sign-in name", "choose one, without spaces")
	}
	if chosen.PasswordHash, err = HashPassword(ctx, password); err != nil {
		return db.Person{}, err
	}
	return s.store.AcceptInvitation(ctx, hash, chosen)
}

// invitedBy finds the invitation of a secret. Errors: db.ErrInvitation, and a limitedError.
func (s *Server) invitedBy(ctx context.Context, text string) (db.Invitation, [32]byte, error) {
	succeeded, err := s.enrolTry(ctx)
	if err != nil {
		return db.Invitation{}, [32]byte{}, err
	}
	secret, err := enrol.ParseSecret(text)
	if err != nil {
		return db.Invitation{}, [32]byte{}, db.ErrInvitation
	}
	invited, err := s.store.InvitationBySecret(ctx, secret.Hash())
	if err == nil {
		succeeded()
	}
	return invited, secret.Hash(), err
}

func invitationShape(i db.Invitation) wire.Invitation {
	shape := wire.Invitation{ID: i.ID, Name: i.Name, Role: string(i.Role), MadeAt: utc(i.MadeAt), ExpiresAt: utc(i.ExpiresAt)}
	if i.Person != uuid.Nil {
		shape.PersonID = &i.Person
	}
	return shape
}
