// Package planfile is the command kerfgate plan: it reads a drawing and the few files that say for
// which machine and material it is planned, makes the plan without any database, and writes pictures,
// motion lines and numbers.
package planfile

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

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
		if said := sayBy(r.Field); said != "" {
			text += "\n  say it with: " + said
		}
	}
	return text
}

// sayBy is how an answer to a refusal is given on the command line.
func sayBy(field string) string {
	name, rest, _ := strings.Cut(field, ".")
	switch {
	case field == "choices.unit":
		return `--choices FILE with {"unit_um": 1000} for millimetres`
	case field == "choices.picture_width":
		return `--choices FILE with {"picture_width_um": 50000} for 50 mm`
	case name == "choices":
		return "--choices FILE"
	case name == "operations" && rest != "":
		return fmt.Sprintf(`--operations FILE with {%q: "mark"}`, rest)
	case slices.Contains([]string{"operations", "settings", "tool", "stock", "material"}, field):
		return "--" + field
	case field == "profile":
		return "--machine FILE"
	}
	return ""
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
	darkest int64 // µJ/mm² of the darkest pixel of dose.png
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
