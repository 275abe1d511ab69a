// Package planfile is the command kerfgate plan: it reads a drawing and the few files that say for
// which machine and material it is planned, makes the plan without any database, and writes pictures,
// motion lines and numbers.
package planfile

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"kerfgate/deploy/given"
	"kerfgate/plan"
	"kerfgate/plan/canon"
)

// Config is what the command was called with. Machine, Material and Stock name JSON files in the
// domain's field names, or the demo's examples (Examples lists them).
type Config struct {
	File       string
	Machine    string
	Tool       string // empty: the profile's first
	Material   string
	Stock      string // empty: assumed
	Operations string // JSON file, empty: the usual operation for all groups
	Settings   string // JSON file, empty: the example's own, or seeds
	Choices    string // JSON file, empty: what most drawings want
	Out        string // folder for the files, empty: none are written
	JSON       bool   // print the numbers as JSON, not as text
	Print      io.Writer
}

// RefusedError holds the reasons why there is no plan.
type RefusedError struct {
	File    string
	Refusal *plan.Refusal
}

// Error lists all reasons, each with what to do next.
func (e *RefusedError) Error() string {
	text := fmt.Sprintf("no plan of %s:", e.File)
	for _, r := range e.Refusal.Reasons {
		text += "\n- " + r.What
		switch {
		case r.Limit != "" && r.Value != "":
			text += fmt.Sprintf(" (%s: limit %s, found %s)", r.Field, r.Limit, r.Value)
		case r.Field != "":
			text += " (" + r.Field + ")"
		}
		text += "\n  next: " + r.Next
	}
	return text
}

// ExitCode is given.ExitRefused.
func (e *RefusedError) ExitCode() int { return given.ExitRefused }

// made is a plan with what it was made from.
type made struct {
	file    string
	request plan.Request
	plan    *plan.Plan
	data    []byte
	digest  canon.Digest
	assumed []string
}

// Run plans the file. Errors: *given.UsageError, *RefusedError, or of reading and writing.
func Run(cfg Config) error {
	in, err := gather(cfg)
	if err != nil {
		return err
	}
	m := made{file: filepath.Base(cfg.File), request: in.request, assumed: in.assumed}
	m.plan, err = plan.Make(in.request)
	var refusal *plan.Refusal
	if errors.As(err, &refusal) {
		return &RefusedError{File: m.file, Refusal: refusal}
	} else if err != nil {
		return err
	}
	if m.data, m.digest, err = m.plan.Encode(); err != nil {
		return err
	}
	var files []string
	if cfg.Out != "" {
		if files, err = m.write(cfg.Out); err != nil {
			return err
		}
	}
	if cfg.JSON {
		return m.printJSON(cfg.Print)
	}
	return m.print(cfg.Print, cfg.Out, files)
}
