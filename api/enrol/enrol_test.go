package enrol_test

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kerfgate/api/enrol"
)

// A code comes back from its text however it was typed, and no other text gives it.
func TestCodeComesBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var c enrol.Code
		copy(c.Secret[:], rapid.SliceOfN(rapid.Byte(), 10, 10).Draw(t, "secret"))
		copy(c.Trust[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "trust"))
		text := c.String()
		for _, typed := range []string{text, strings.ToLower(text), " " + strings.ReplaceAll(text, "-", " ") + "\n", strings.ReplaceAll(text, "-", "")} {
			if got, err := enrol.ParseCode(typed); err != nil || got != c {
				t.Fatalf("%q: %v %v", typed, got, err)
			}
		}
		if got, err := enrol.ParseSecret(c.Secret.String()); err != nil || got != c.Secret {
			t.Fatalf("station: %v %v", got, err)
		}
		if _, err := enrol.ParseCode(text[:len(text)-1]); !errors.Is(err, enrol.ErrCode) {
			t.Fatalf("a letter short: %v", err)
		}
	})
	for _, bad := range []string{"", "1111-1111", strings.Repeat("A", 42) + "=", strings.Repeat("B", 42)} {
		if c, err := enrol.ParseCode(bad); err == nil && c.String() != bad {
			t.Errorf("%q was taken as %v", bad, c)
		}
	}
}

// Every part of the trust is vouched for, and where one part ends and the next begins.
func TestTrustIsVouchedFor(t *testing.T) {
	t.Parallel()
	trust := enrol.Trust{PermitKey: "garden/permit+1+A", LogKey: "garden/logbook+2+B"}
	code := enrol.Code{Secret: enrol.NewSecret(), Trust: trust.Digest()}
	if err := trust.Check(code); err != nil {
		t.Fatal(err)
	}
	for name, other := range map[string]enrol.Trust{
		"permit key": {PermitKey: "garden/permit+1+C", LogKey: trust.LogKey},
		"log key":    {PermitKey: trust.PermitKey, LogKey: "garden/logbook+2+C"},
		"CA":         {PermitKey: trust.PermitKey, LogKey: trust.LogKey, CA: []byte("x")},
		"moved":      {PermitKey: trust.PermitKey + "\n" + trust.LogKey},
	} {
		if err := other.Check(code); !errors.Is(err, enrol.ErrTrust) {
			t.Errorf("another %s: %v", name, err)
		}
	}
}
