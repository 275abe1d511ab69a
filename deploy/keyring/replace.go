package keyring

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
)

// Names of the two keys that can be replaced.
const (
	Permit  = "permit"
	Logbook = "logbook"
)

const nextSuffix = ".next"

// Next gives the key that is to follow the one of that name, and makes it if an earlier try did not
// leave it. It is of no use before Replace. Errors: ErrMode, and a name that is neither.
func Next(dir, site, name string) (signer note.Signer, public string, err error) {
	var keyName string
	switch name {
	case Permit:
		keyName = permit.KeyName(site)
	case Logbook:
		keyName = logbook.LogKeyName(site)
	default:
		return nil, "", fmt.Errorf("%q is no key that is replaced: %s or %s", name, Permit, Logbook)
	}
	path := filepath.Join(dir, name+".key"+nextSuffix)
	text, err := Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		secret, public, err := note.GenerateKey(rand.Reader, keyName)
		if err != nil {
			return nil, "", err
		}
		text = secret + "\n" + public
		if err := Write(path, text); err != nil {
			return nil, "", err
		}
	} else if err != nil {
		return nil, "", err
	}
	secret, public, _ := strings.Cut(text, "\n")
	if signer, err = note.NewSigner(secret); err != nil {
		return nil, "", fmt.Errorf("%s: %w", path, err)
	}
	return signer, public, nil
}

// Replace puts the next key in the place of the present one, whose secret half is gone after it. The
// old public half stays as <name>-<number>.vkey for whoever checks old heads and permits.
func Replace(dir, name string, number int64) error {
	path := filepath.Join(dir, name+".key")
	next, err := Read(path + nextSuffix)
	if err != nil {
		return err
	}
	old, err := Read(path)
	if err != nil {
		return err
	}
	_, oldPublic, _ := strings.Cut(old, "\n")
	_, public, _ := strings.Cut(next, "\n")
	if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%d.vkey", name, number)), []byte(oldPublic+"\n"), 0o644); err != nil {
		return err
	}
	if err := os.Rename(path+nextSuffix, path); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, name+".vkey"), []byte(public+"\n"), 0o644); err != nil {
		return err
	}
	return syncDir(dir)
}
