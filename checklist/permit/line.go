package permit

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
)

// line is one "name value" of a statement.
type line struct {
	name  string
	value value
}

// value writes and reads one variable. text refuses what read would refuse.
type value interface {
	text() (string, error)
	read(text string) error
}

// id is a UUID, never nil.
type id struct{ v *uuid.UUID }

func (i id) text() (string, error) {
	if *i.v == uuid.Nil {
		return "", errors.New("the nil id names nothing")
	}
	return i.v.String(), nil
}

func (i id) read(text string) (err error) {
	*i.v, err = uuid.Parse(text)
	return err
}

// octets is a fixed number of bytes in lower-case hexadecimal digits.
type octets struct {
	v    []byte // aliases the statement's array
	zero bool   // all zero stands for "none" and is allowed
}

func (o octets) text() (string, error) {
	if !o.zero && allZero(o.v) {
		// A reader that holds no challenge holds zeros: such a statement would answer it.
		return "", errors.New("all zero")
	}
	return hex.EncodeToString(o.v), nil
}

func (o octets) read(text string) error {
	raw, err := hex.DecodeString(text)
	if err != nil {
		return err
	}
	if len(raw) != len(o.v) {
		return fmt.Errorf("%d bytes, want %d", len(raw), len(o.v))
	}
	copy(o.v, raw)
	return nil
}

func allZero(data []byte) bool {
	for _, b := range data {
		if b != 0 {
			return false
		}
	}
	return true
}

// number is a decimal within bounds, both allowed.
type number struct {
	v        *int64
	min, max int64
}

func (n number) text() (string, error) {
	if *n.v < n.min || *n.v > n.max {
		return "", fmt.Errorf("%d is not within %d to %d", *n.v, n.min, n.max)
	}
	return strconv.FormatInt(*n.v, 10), nil
}

func (n number) read(text string) (err error) {
	*n.v, err = strconv.ParseInt(text, 10, 64)
	return err
}

// yesNo is "yes" or "no".
type yesNo struct{ v *bool }

func (f yesNo) text() (string, error) {
	if *f.v {
		return "yes", nil
	}
	return "no", nil
}

func (f yesNo) read(text string) error {
	*f.v = text == "yes"
	return nil // anything but "no" fails when written anew
}

// MaxReason is the most bytes of a reason.
const MaxReason = 200

// reason is one short line for people; "-" stands for none.
type reason struct{ v *string }

func (r reason) text() (string, error) {
	text := *r.v
	switch {
	case text == "":
		return "-", nil
	case text == "-":
		return "", errors.New("a hyphen stands for no reason")
	case len(text) > MaxReason:
		return "", fmt.Errorf("%d bytes, at most %d are allowed", len(text), MaxReason)
	case !utf8.ValidString(text), strings.TrimSpace(text) != text,
		strings.IndexFunc(text, func(c rune) bool { return !unicode.IsPrint(c) }) >= 0:
		return "", errors.New("not one line of printing characters")
	}
	return text, nil
}

func (r reason) read(text string) error {
	if text == "-" {
		text = ""
	} else if text == "" {
		return errors.New("empty")
	}
	*r.v = text
	return nil
}

// machineKey is a worker's public nkey: "U" and 55 characters of base32 (RFC 4648).
type machineKey struct{ v *string }

func (k machineKey) text() (string, error) {
	rest, ok := strings.CutPrefix(*k.v, "U")
	if !ok || len(rest) != 55 || strings.Trim(rest, "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567") != "" {
		return "", fmt.Errorf("%.80q is not a worker's public key", *k.v)
	}
	return *k.v, nil
}

func (k machineKey) read(text string) error {
	*k.v = text
	return nil
}
