// Package quantity holds every number of plan/hazard as data: its name, its inputs with units, formula
// and source, so that a person, a page or a file of cases can ask for any of them by name.
//
// Every result carries its caution, and nothing here says that something is harmless.
package quantity

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// Caution stands with every result.
const Caution = "lower bounds and estimates to judge by: the machine's label, local codes and the person in charge of laser safety decide"

// Kind is what an input takes.
type Kind string

// Kinds of inputs.
const (
	Number Kind = "number"
	Whole  Kind = "whole number"
	Text   Kind = "text"
	Choice Kind = "choice"
	Flag   Kind = "true or false"
)

// Input is one value that a quantity depends on. Its unit stands in its name.
type Input struct {
	Name    string
	Meaning string
	Kind    Kind
	Choices []string
	// Default is taken where the input is left out; nil makes the input necessary.
	Default any
}

// Rounding says to which side a shown value goes; results themselves are not rounded.
type Rounding int

// Roundings: to the side on which a reader errs with caution.
const (
	Up   Rounding = iota // densities, distances, times, concentrations
	Down                 // limits, flows, speeds of air
)

// Quantity is one number by its name.
type Quantity struct {
	Name    string
	Title   string
	Unit    string // of the value, empty where it has none
	Inputs  []Input
	Formula string
	Source  string
	Edition string // of the limits behind it; empty where there are none
	round   Rounding
	compute func(values) (found, error)
}

// found is what a quantity's formula gives.
type found struct {
	value float64
	text  string         // for what is no number, or is said otherwise, such as LB5
	also  map[string]any // further numbers, units in the names
	notes []string
}

// errNoNumber is for inputs so far from anything measured that arithmetic ends on them.
var errNoNumber = errors.New("the inputs are too large or too small for a number to come out")

// said says whether all of it can be told: finite, or put in words.
func (f found) said() bool {
	for _, v := range f.also {
		if n, ok := v.(float64); ok && !finite(n) {
			return false
		}
	}
	return f.text != "" || finite(f.value)
}

// Result is one computed quantity, unrounded.
type Result struct {
	Quantity string `json:"quantity"`
	// Value is nil where the result is no finite number; Shown says it.
	Value *float64 `json:"value"`
	Unit  string   `json:"unit,omitempty"`
	// Shown is the value for people: three digits, or as the trade writes it, rounded to the side of
	// caution.
	Shown   string         `json:"shown"`
	Also    map[string]any `json:"also,omitempty"`
	Inputs  map[string]any `json:"inputs"` // with the defaults that were taken
	Formula string         `json:"formula"`
	Source  string         `json:"source"`
	Edition string         `json:"edition,omitempty"`
	Notes   []string       `json:"notes,omitempty"`
	Caution string         `json:"caution"`
}

// InputError says what is wrong with what was asked for.
type InputError struct{ What, Next string }

// Error gives both.
func (e *InputError) Error() string { return e.What + "; " + e.Next }

// Refusal says why a quantity has no number for good inputs of the right kinds, and what to do.
type Refusal struct {
	What, Next string
	Cause      error // of plan/hazard or plan/hazard/optics
}

// Error gives both.
func (r *Refusal) Error() string { return r.What + "; " + r.Next }

// Unwrap gives the cause.
func (r *Refusal) Unwrap() error { return r.Cause }

// quantities are made once: a gate computes a dozen of them.
var quantities = sync.OnceValue(func() []Quantity { return append(ofBeams(), ofAir()...) })

// All lists the quantities, those of beams first.
func All() []Quantity { return slices.Clone(quantities()) }

// Named finds a quantity.
func Named(name string) (Quantity, bool) {
	for _, q := range quantities() {
		if q.Name == name {
			return q, true
		}
	}
	return Quantity{}, false
}

// Compute computes a quantity from its inputs: numbers as float64, int, int64 or json.Number, texts as
// string, flags as bool. Errors are *InputError for an unknown quantity, an unknown, missing or wrongly
// typed input; *Refusal where there is no number for such values.
func Compute(name string, inputs map[string]any) (Result, error) {
	q, ok := Named(name)
	if !ok {
		var names []string
		for _, q := range quantities() {
			names = append(names, q.Name)
		}
		return Result{}, &InputError{What: fmt.Sprintf("there is no quantity %.60q", name), Next: "take one of " + strings.Join(names, ", ")}
	}
	taken, err := q.take(inputs)
	if err != nil {
		return Result{}, err
	}
	f, err := q.compute(taken)
	if err != nil {
		return Result{}, refusal(err)
	}
	if !f.said() {
		return Result{}, refusal(errNoNumber)
	}
	r := Result{Quantity: q.Name, Unit: q.Unit, Also: f.also, Inputs: taken, Formula: q.Formula, Source: q.Source, Edition: q.Edition,
		Notes: f.notes, Caution: Caution}
	if finite(f.value) {
		r.Value = &f.value
	}
	if r.Shown = f.text; r.Shown == "" {
		r.Shown = shown(f.value, q.round)
	}
	return r, nil
}

// names of the inputs, for messages.
func (q Quantity) names() string {
	names := make([]string, len(q.Inputs))
	for i, in := range q.Inputs {
		names[i] = in.Name
	}
	return strings.Join(names, ", ")
}

// take holds what was given against the inputs and fills in the defaults.
func (q Quantity) take(given map[string]any) (values, error) {
	var unknown []string
	for name := range given {
		if !slices.ContainsFunc(q.Inputs, func(in Input) bool { return in.Name == name }) {
			unknown = append(unknown, fmt.Sprintf("%.60q", name))
		}
	}
	if len(unknown) > 0 {
		slices.Sort(unknown)
		return nil, &InputError{What: fmt.Sprintf("%s has no input %s", q.Name, strings.Join(unknown, ", ")), Next: "its inputs are " + q.names()}
	}
	taken := make(values, len(q.Inputs))
	var missing []string
	for _, in := range q.Inputs {
		raw, ok := given[in.Name]
		switch {
		case !ok && in.Default == nil:
			missing = append(missing, in.Name)
			continue
		case !ok:
			raw = in.Default
		}
		value, err := in.read(raw)
		if err != nil {
			return nil, &InputError{What: fmt.Sprintf("%s of %s: %v", in.Name, q.Name, err), Next: "give " + in.wants()}
		}
		taken[in.Name] = value
	}
	if len(missing) > 0 {
		return nil, &InputError{What: fmt.Sprintf("%s lacks %s", q.Name, strings.Join(missing, ", ")), Next: "its inputs are " + q.names()}
	}
	return taken, nil
}
