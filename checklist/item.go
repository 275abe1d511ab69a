// Package checklist holds everything that can say no before a run: the items and how their answers
// are judged, authorisation, lockout, the completeness of a sign-off and what it binds.
package checklist

import (
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Checklist is one published version of a machine's items.
type Checklist struct {
	Version int64  `json:"version"`
	Items   []Item `json:"items"` // in the order of the walk round the machine
}

// Item is one question at the gate; it is drawn as one bar.
type Item struct {
	Key    string  `json:"key"`
	Title  string  `json:"title"`
	Ask    string  `json:"ask"` // what to look at
	Core   bool    `json:"core"`
	Fields []Field `json:"fields"`
}

// Field is one value that a person who looked can give.
type Field struct {
	Key   string    `json:"key"`
	Title string    `json:"title"`
	Kind  FieldKind `json:"kind"`
	Unit  string    `json:"unit,omitempty"`
	// Choices of a choice field; which of them lift the bar is the rule's business.
	Choices []string `json:"choices,omitempty"`
	// Standing fields keep for one operator on one machine for at most 4 hours.
	Standing bool `json:"standing"`
}

// FieldKind is how a value is given.
type FieldKind string

// Kinds of fields.
const (
	FieldText   FieldKind = "text"
	FieldNumber FieldKind = "number" // decimal with the field's unit
	FieldMonth  FieldKind = "month"  // YYYY-MM
	FieldChoice FieldKind = "choice"
	FieldPerson FieldKind = "person" // somebody's own sign-in; never typed as an answer
	FieldYes    FieldKind = "yes"    // "yes" or "no"; no needs no reason, it stops the run
)

// Keys of the four core items, of supply on, and of what stands for them in a pen run.
const (
	ItemEyewear      = "eyewear"
	ItemExtinguisher = "extinguisher"
	ItemVentilation  = "ventilation"
	ItemMaterial     = "material"
	ItemCare         = "care" // with-care material in a beam
	ItemBed          = "bed"
	ItemRoom         = "room"    // asked where the beam is open
	ItemSecond       = "second"  // asked where the run has grounds for a second person
	ItemContact      = "contact" // asked on a site of one that names a contact
	ItemSupply       = "supply"
	ItemBeamOff      = "beam_off" // beam module off the carriage and its supply unplugged
	ItemClear        = "clear"    // hands and hair clear of a pen plotter
)

// Values is what was given for one item, by field key.
type Values map[string]string

// Facts are what answers are judged against.
type Facts struct {
	Profile  machine.Profile   `json:"profile"`
	Tool     machine.Tool      `json:"tool"`
	Material material.Material `json:"material"`
	Stock    material.Stock    `json:"stock"`
	Pairs    []Pair            `json:"pairs"` // the workshop's register of eyewear
	Today    time.Time         `json:"-"`     // for months; local calendar of the site
	Work     Work              `json:"-"`     // of the run's plan
	Size     geom.Point        `json:"-"`     // of everything that the plan marks; zero where it was not kept
	Tried    Tried             `json:"-"`

	Circumstances Circumstances `json:"-"`
}

// Bar is one item with what was answered.
type Bar struct {
	Item     Item
	Needs    string // what the answer must reach, with unit and origin: "at least 96 Pa (80 % of 120 Pa commissioned)"
	Values   Values // run answers given, standing ones included
	Standing bool   // the standing fields hold from an earlier run
	Answered bool
	Up       bool   // answered and it passes
	Problem  string // why the bar stays down though answered
	Next     string // what to do about it
	Hint     Hint   // what the answer asks for beyond this run
	// Numbers are the lines of what was computed behind the bar, in the record of a sign-off alone.
	Numbers []string
}

// Hint is what a judged answer asks for beyond the run that it was given for.
type Hint string

// HintLockOut: the machine should be locked out, with the bar's problem as the reason.
const HintLockOut Hint = "lock out"

// Reason is one thing that says no, with what to do next.
type Reason struct {
	What string     `json:"what"`
	Next string     `json:"next"`
	Kind ReasonKind `json:"-"`
}

// ReasonKind tells what is forbidden from what is only not done yet.
type ReasonKind int

// Kinds of reasons.
const (
	BecauseForbidden ReasonKind = iota // no answer at the gate can cure it
	BecauseNotYet                      // the operator or the worker may still do it
)
