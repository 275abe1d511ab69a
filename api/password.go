package api

import (
	"context"
	"fmt"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"
)

// passwordParams are argon2id's: 19 MiB, two passes, one lane (OWASP's second choice, from memory).
// A sign-in then takes about 0.15 s on a small computer.
var passwordParams = argon2id.Params{Memory: 19 * 1024, Iterations: 2, Parallelism: 1, SaltLength: 16, KeyLength: 32}

// Lengths of a password in characters. The upper bound only keeps hashing cheap; nothing is cut off.
const (
	MinPassword = 8
	MaxPassword = 1024
)

// noSuchHash is the hash of a password that nobody has. A sign-in with an unknown name is compared
// with it, so that it takes as long as one with a known name.
const noSuchHash = "$argon2id$v=19$m=19456,t=2,p=1$+d+kgqb9Jk+Imuizth1sZQ$Z+LOpe5mq79SS0APtq3iVA4OSvf32+J9F0gweK2ZxCY"

// hashing bounds the memory that passwords take: two at once.
var hashing = newSlots(2)

// HashPassword makes the text that is stored for a password, waiting its turn among sign-ins.
func HashPassword(ctx context.Context, password string) (string, error) {
	if n := utf8.RuneCountInString(password); n < MinPassword || n > MaxPassword {
		return "", invalid("password", fmt.Sprintf("a password has %d to %d characters", MinPassword, MaxPassword), "choose another; 15 or more are advised")
	}
	release, err := hashing.take(ctx)
	if err != nil {
		return "", err
	}
	defer release()
	return argon2id.CreateHash(password, &passwordParams)
}

// passwordMatches compares in constant time; an empty hash, which an unknown or disabled account
// has, never matches and takes as long.
func passwordMatches(ctx context.Context, password, hash string) (bool, error) {
	release, err := hashing.take(ctx)
	if err != nil {
		return false, err
	}
	defer release()
	known := hash != ""
	if !known {
		hash = noSuchHash
	}
	if utf8.RuneCountInString(password) > MaxPassword {
		password, known = "", false
	}
	match, err := argon2id.ComparePasswordAndHash(password, hash)
	return match && known, err
}
