package crowd

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"kerfgate/api"
	"kerfgate/db"
	"kerfgate/deploy/demo"
)

// Workshop makes the demo's workshop one in which many hand in: further members, and lots that last. The
// pieces are the demo's drawings, for all of its machines; the tokens are those of members who have signed
// in at the address.
func Workshop(ctx context.Context, store *db.Store, address string, members int) (pieces []Piece, tokens []string, err error) {
	sage, _, err := store.PersonBySignIn(ctx, "sage")
	if err != nil {
		return nil, nil, err
	}
	admin := db.Actor{Person: sage.ID, Role: sage.Role}
	const password = "plants that grow in rows"
	hash, err := api.HashPassword(ctx, password)
	if err != nil {
		return nil, nil, err
	}
	c := Config{Address: address}
	for i := range members {
		name := fmt.Sprintf("member-%d", i+1)
		if _, err := store.AddPerson(ctx, admin, db.NewPerson{SignInName: name, Name: name, Role: db.RoleMember, PasswordHash: hash}); err != nil {
			return nil, nil, err
		}
		var session struct{ Token string }
		if err := c.json(ctx, "", "/sessions", map[string]any{"sign_in": name, "password": password, "kind": "script"}, &session); err != nil {
			return nil, nil, err
		}
		tokens = append(tokens, session.Token)
	}
	lots := map[string]uuid.UUID{}
	kinds, err := store.Materials(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, l := range demo.Shelf() {
		for _, k := range kinds {
			if k.Name != l.Material.Name {
				continue
			}
			l.Stock.Lot += " and more"
			stock, err := store.AddStock(ctx, admin, k.ID, l.Stock, 100_000)
			if err != nil {
				return nil, nil, err
			}
			lots[k.Name] = stock.ID
		}
	}
	machines, err := store.Machines(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, d := range demo.Drawings() {
		for _, m := range machines {
			settings := demo.Settings(demo.Machine{Bay: m.Bay, Profile: m.Profile}, m.Tool, d.Material)
			proven := map[string]bool{}
			for _, s := range settings {
				proven[s.Operation] = true
			}
			p := Piece{Title: d.Title, File: d.File, Data: d.Data(), Machine: m.ID.String(), Stock: lots[d.Material].String(), Tool: m.Tool, Default: "cut", Operations: map[string]string{}}
			whole := proven["cut"]
			for group, operation := range d.Operations {
				p.Operations[group] = string(operation)
				whole = whole && proven[string(operation)]
			}
			if proven["draw"] {
				whole, p.Default, p.Operations = true, "draw", nil
			}
			if whole {
				pieces = append(pieces, p)
			}
		}
	}
	return pieces, tokens, nil
}

// Stations are the site's machines, with the address of each worker that runs.
func Stations(ctx context.Context, store *db.Store) (list []Machine, err error) {
	machines, err := store.Machines(ctx)
	for _, m := range machines {
		list = append(list, Machine{ID: m.ID.String(), Worker: m.WorkerURL})
	}
	return list, err
}

// Usual is the load that the benchmark puts on a site: 150 stations and 50 wall screens, 50 submissions a second, one
// of five with a plan made for it.
func Usual(address string, pieces []Piece, tokens []string, machines []Machine, span time.Duration) Config {
	return Config{Address: address, Members: tokens, Pieces: pieces, Machines: machines, Tablets: 150, Walls: 50, PerSecond: 50, Anew: 5, For: span, Waiting: 600}
}
