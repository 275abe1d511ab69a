package web

import (
	"strings"
	"testing"
	"time"
)

func TestDuration(t *testing.T) {
	t.Parallel()
	for ms, want := range map[int64]string{
		0: "0 s", 30: "under 0.1 s", 2_004: "2 s", 400: "0.4 s", 9_949: "9.9 s", 9_950: "10 s", 12_400: "12 s", 59_600: "1 min", 60_000: "1 min", 260_000: "4 min 20 s",
		3_599_600: "1 h", 3_600_000: "1 h", 3_900_000: "1 h 5 min", -5_000: "−5 s",
	} {
		if got := Duration(ms); got != want {
			t.Errorf("%d ms: %q, want %q", ms, got, want)
		}
	}
}

func TestLengths(t *testing.T) {
	t.Parallel()
	for um, want := range map[int64]string{3050: "3.05", 3000: "3", 0: "0", -1500: "−1.5", 1: "0.001"} {
		if got := Millimetres(um); got != want {
			t.Errorf("%d µm: %q, want %q", um, got, want)
		}
	}
	if got := Length(771_400); got != "771 mm" {
		t.Error(got)
	}
	if got := Length(1_234_000); got != "1.23 m" {
		t.Error(got)
	}
}

func TestClockKeepsTheDateOfAnotherDay(t *testing.T) {
	t.Parallel()
	if got := Clock(at(15, 4), sampleNow); got != "15:04" {
		t.Error(got)
	}
	if got := Clock(at(15, 4).Add(24*time.Hour), sampleNow); got != "Thu 26 Nov 15:04" {
		t.Error(got)
	}
	// The same instant read in another zone is told in now's zone.
	if got := Clock(at(15, 4).UTC(), sampleNow); got != "15:04" {
		t.Error(got)
	}
}

func TestWrap(t *testing.T) {
	t.Parallel()
	got := wrap("CO₂ · in the green · within reach", 14)
	want := []string{"CO₂ · in the", "green · within", "reach"}
	if strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("%q", got)
	}
	if got := wrap(strings.Repeat("x", 20), 8); len(got) != 3 || got[2] != "xxxx" {
		t.Errorf("%q", got)
	}
}
