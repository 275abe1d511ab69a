package canon_test

import (
	"encoding/hex"
	"errors"
	"testing"

	"kerfgate/plan/canon"
)

// SHA-256 of "abc": FIPS 180-4 example, as published with the standard's test values.
func TestDigestText(t *testing.T) {
	t.Parallel()
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	d := canon.Sum([]byte("abc"))
	if d.String() != abc || d.Short() != abc[:8] || d.IsZero() {
		t.Errorf("digest %s", d)
	}
	back, err := canon.Parse(abc)
	if err != nil || back != d {
		t.Errorf("parsed %s, %v", back, err)
	}
	for _, bad := range []string{"", abc[:63], abc + "0", "B" + abc[1:], "zz" + abc[2:]} {
		if _, err := canon.Parse(bad); !errors.Is(err, canon.ErrDigest) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// Core deterministic encoding: RFC 8949 §4.2.1, values from its appendix A; map keys sorted by
// their bytes.
func TestDeterministic(t *testing.T) {
	t.Parallel()
	for want, v := range map[string]any{
		"1818":               24,
		"3903e7":             -1000,
		"83010203":           []int{1, 2, 3},
		"a201020304":         map[int]int{3: 4, 1: 2},
		"6449455446":         "IETF",
		"a26161016162820203": map[string]any{"b": []int{2, 3}, "a": 1},
	} {
		got, err := canon.Marshal(v)
		if err != nil || hex.EncodeToString(got) != want {
			t.Errorf("%v is %x (%v), want %s", v, got, err, want)
		}
	}
}

// What is not in the one encoding, or says more than the reader knows, is refused.
func TestStrict(t *testing.T) {
	t.Parallel()
	type thing struct {
		A int          `json:"a"`
		D canon.Digest `json:"d"`
	}
	good, err := canon.Marshal(thing{A: 1, D: canon.Sum(nil)})
	if err != nil {
		t.Fatal(err)
	}
	var back thing
	if err := canon.Unmarshal(good, &back); err != nil || back.D != canon.Sum(nil) {
		t.Fatalf("%+v, %v", back, err)
	}
	for name, text := range map[string]string{
		"unknown field":     "a16162" + "01",
		"duplicate key":     "a2616101" + "616102",
		"tag":               "a16161c101",
		"indefinite length": "bf616101ff",
		"short digest":      "a161644100",
	} {
		data, err := hex.DecodeString(text)
		if err != nil {
			t.Fatal(err)
		}
		if err := canon.Unmarshal(data, &thing{}); err == nil {
			t.Errorf("%s was read", name)
		}
	}
	if err := canon.Unmarshal(append(good, 0), &thing{}); err == nil {
		t.Error("trailing byte was read")
	}
}
