// Package check looks, before anything moves, at what a worker needs of its host and its machine, and
// says in plain words what is wrong and what to do about it. Nothing here moves a machine or switches a
// tool; a port that is opened may wake a machine that starts anew by that.
package check

import (
	"errors"
	"fmt"
	"io"
	"strings"
)

// State is how serious a finding is.
type State string

// States. A worker with a fault cannot do its work, or may not with a beam.
const (
	OK      State = "ok"
	Warning State = "warning"
	Fault   State = "fault"
	Skipped State = "skipped" // another finding says why
)

// Finding is one thing that was looked at.
type Finding struct {
	What  string `json:"what"`
	State State  `json:"state"`
	Text  string `json:"text"`
	Next  string `json:"next,omitempty"` // what to do
}

// Faulty says whether any of the findings is a fault.
func Faulty(all []Finding) bool {
	for _, f := range all {
		if f.State == Fault {
			return true
		}
	}
	return false
}

// Print writes the findings, a line each and what to do about it below.
func Print(w io.Writer, all []Finding) error {
	for _, f := range all {
		if _, err := fmt.Fprintf(w, "%-8s%-14s%s\n", f.State, f.What, f.Text); err != nil {
			return err
		}
		if f.Next != "" {
			if _, err := fmt.Fprintf(w, "%22s%s\n", "", f.Next); err != nil {
				return err
			}
		}
	}
	return nil
}

func good(what, format string, a ...any) Finding {
	return Finding{What: what, State: OK, Text: fmt.Sprintf(format, a...)}
}

// Bad is a fault in an error's words: what is wrong, and on further lines what to do.
func Bad(what string, err error) Finding {
	text, next, _ := strings.Cut(err.Error(), "\n")
	return Finding{What: what, State: Fault, Text: text, Next: strings.TrimSpace(next)}
}

// Good is something that is as it should be.
func Good(what, text string) Finding { return Finding{What: what, State: OK, Text: text} }

// errors of the checks themselves
var errTaken = errors.New("the folder's lock is held: a worker runs there")
