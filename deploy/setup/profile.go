package setup

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/db"
)

// Profile publishes another version of a machine's profile from JSON text, as commissioning writes it,
// and gives its digest. Errors: those of readProfile and db.Store.PublishProfile.
func (s Site) Profile(ctx context.Context, id uuid.UUID, text []byte) (digest string, err error) {
	p, err := readProfile(text)
	if err != nil {
		return "", err
	}
	err = s.with(ctx, func(store *db.Store) error {
		m, err := store.PublishProfile(ctx, db.System, id, p)
		digest = m.ProfileDigest.String()
		return err
	})
	return digest, err
}
