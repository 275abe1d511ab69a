// Package keyring keeps the secret keys of one site as files of mode 0600 in one folder: the permit
// key, the log key and the server's key for the broker.
package keyring

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nkeys"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
)

// Keys are the keys of a site, ready for use.
type Keys struct {
	PermitSigner note.Signer
	PermitPublic string // verifier key, for workers and the offline check
	LogSigner    note.Signer
	LogPublic    string
	Server       nkeys.KeyPair
}

// ErrMode is returned for a key file that others may read.
var ErrMode = errors.New("a key file may be readable by its owner only")

// Open reads the keys in dir; missing ones are made. Errors: ErrMode, and what the files say.
func Open(dir, site string) (Keys, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return Keys{}, err
	}
	var k Keys
	var err error
	if k.PermitSigner, k.PermitPublic, err = noteKey(dir, "permit", func() (string, string, error) {
		return permit.GenerateKey(permit.KeyName(site))
	}); err != nil {
		return Keys{}, err
	}
	if k.LogSigner, k.LogPublic, err = noteKey(dir, "logbook", func() (string, string, error) {
		return note.GenerateKey(rand.Reader, logbook.LogKeyName(site))
	}); err != nil {
		return Keys{}, err
	}
	k.Server, err = Seed(filepath.Join(dir, "server.nkey"))
	return k, err
}

// noteKey keeps a signing key in <name>.key and its public half in <name>.vkey.
func noteKey(dir, name string, generate func() (secret, public string, err error)) (note.Signer, string, error) {
	path := filepath.Join(dir, name+".key")
	text, err := Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		secret, public, err := generate()
		if err != nil {
			return nil, "", err
		}
		text = secret + "\n" + public
		if err := Write(path, text); errors.Is(err, fs.ErrExist) {
			if text, err = Read(path); err != nil { // another server made it at the same moment
				return nil, "", err
			}
		} else if err != nil {
			return nil, "", err
		}
	} else if err != nil {
		return nil, "", err
	}
	secret, public, ok := strings.Cut(text, "\n")
	if !ok {
		return nil, "", fmt.Errorf("%s: want the secret key and the public key, a line each", path)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		return nil, "", fmt.Errorf("%s: %w", path, err)
	}
	if _, err := note.NewVerifier(public); err != nil {
		return nil, "", fmt.Errorf("%s: %w", path, err)
	}
	// Made whenever it is missing, also where the first start ended between the two files.
	half := filepath.Join(dir, name+".vkey")
	if _, err := os.Stat(half); errors.Is(err, fs.ErrNotExist) {
		if err := os.WriteFile(half, []byte(public+"\n"), 0o644); err != nil {
			return nil, "", err
		}
	}
	return signer, public, nil
}

// Seed reads a key pair for the broker, or makes it.
func Seed(path string) (nkeys.KeyPair, error) {
	pair, err := ReadSeed(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return pair, err
	}
	if pair, err = nkeys.CreateUser(); err != nil {
		return nil, err
	}
	seed, err := pair.Seed()
	if err != nil {
		return nil, err
	}
	if err := Write(path, string(seed)); errors.Is(err, fs.ErrExist) {
		return ReadSeed(path) // another process made it at the same moment
	} else if err != nil {
		return nil, err
	}
	return pair, nil
}

// ReadSeed reads a key pair for the broker. Errors: ErrMode, fs.ErrNotExist.
func ReadSeed(path string) (nkeys.KeyPair, error) {
	text, err := Read(path)
	if err != nil {
		return nil, err
	}
	pair, err := nkeys.FromSeed([]byte(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return pair, nil
}

// Read reads a secret file without its last line end. Errors: ErrMode, fs.ErrNotExist.
func Read(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("%w: chmod 600 %s", ErrMode, path)
	}
	data, err := os.ReadFile(path)
	return strings.TrimRight(string(data), "\n"), err
}

// Write puts a secret into a new file that nobody else can read, whole or not at all. Errors:
// fs.ErrExist, and then the file that is there stays.
func Write(path, text string) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*.new") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // its content has the other name by then, or is not wanted
	_, err = f.WriteString(text + "\n")
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err == nil {
		err = os.Link(f.Name(), path) // never over a key that is in use
	}
	if err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// Put replaces a file that nobody else can read, whole or not at all.
func Put(path, text string) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*.new") // mode 0600
	if err != nil {
		return err
	}
	_, err = f.WriteString(text + "\n")
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return syncDir(filepath.Dir(path))
}

func syncDir(path string) error {
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
