package web

import (
	"io"
	"time"
)

// RenderEyewear writes the register of eyewear.
func RenderEyewear(w io.Writer, v EyewearView) error { return render(w, "eyewear", "frame", v) }

// EyewearView is that page.
type EyewearView struct {
	Shell
	Pairs     []EyewearRow
	MayChange bool // officers and admins add pairs and take them out
	Caution   string
	// Label and Marking were typed into the form that was refused.
	Label, Marking string
}

// EyewearRow is one pair of the register.
type EyewearRow struct {
	ID             string
	Rev            int64
	Label, Marking string
	Damaged        bool
	LookedAt       time.Time
	LookedBy       string
	Beams          []EyewearBeam
}

// Fitting are the machines that the pair fits.
func (r EyewearRow) Fitting() (machines []string) {
	for _, b := range r.Beams {
		if b.Fits {
			machines = append(machines, b.Machine)
		}
	}
	return machines
}

// EyewearBeam is what a pair is to one beam.
type EyewearBeam struct {
	Machine string
	Fits    bool
	Why     string
}

// SecondView asks a second person to sign in for a run.
type SecondView struct {
	Run, Ask string
	By       string // who stands by already
	PIN      bool   // this device is a station: a PIN is enough
}

// PairView is a registered pair as the station's eyewear bar shows it.
type PairView struct {
	Label, Marking, Why string
	Fits                bool
	LookedAt            time.Time
}
