// Package hazardfile is the command kerfgate hazards: the hazard numbers of a machine profile as one
// sheet, or of a file of cases line by line, without any database.
package hazardfile

import (
	"fmt"
	"io"
	"os"
	"strings"

	"kerfgate/deploy/given"
	"kerfgate/plan/hazard/quantity"
)

// Config is what the command was called with. Zero numbers were not given.
type Config struct {
	Profile string // JSON file of a machine profile, or an example of the demo
	Tool    string // empty: the profile's first beam
	Cases   string // file of cases, - for In
	JSON    bool   // the sheet as JSON
	More    quantity.Measures
	In      io.Reader
	Print   io.Writer
}

// RefusedError says that some quantities have no number; which and why was printed.
type RefusedError struct{ Refused, Of int }

// Error says how many.
func (e *RefusedError) Error() string {
	return fmt.Sprintf("%d of %d quantities have no number; the output says why", e.Refused, e.Of)
}

// ExitCode is given.ExitRefused.
func (e *RefusedError) ExitCode() int { return given.ExitRefused }

// Run prints the sheet or the results of the cases. Errors: *given.UsageError, *RefusedError, or of reading
// and writing.
func Run(cfg Config) error {
	switch {
	case cfg.Cases != "" && cfg.Profile != "":
		return &given.UsageError{What: "--cases and --profile exclude each other", Next: "call the command once for each"}
	case cfg.Cases == "-":
		return runCases(cfg.In, cfg.Print)
	case cfg.Cases != "":
		f, err := os.Open(cfg.Cases)
		if err != nil {
			return &given.UsageError{What: fmt.Sprintf("the cases cannot be read: %v", err), Next: "name a file that exists and that you may read, or - for standard input"}
		}
		defer f.Close()
		if info, err := f.Stat(); err == nil && info.IsDir() {
			return &given.UsageError{What: cfg.Cases + " is a folder", Next: "name a file of cases"}
		}
		return runCases(f, cfg.Print)
	case cfg.Profile != "":
		return runSheet(cfg)
	}
	return &given.UsageError{What: "nothing to compute", Next: "give --profile, or --cases; kerfgate hazards --help lists the quantities"}
}

// Help lists every quantity with its inputs.
func Help() string {
	var b strings.Builder
	b.WriteString("A case is one JSON object a line: {\"quantity\": \"required_density\", \"wavelength_nm\": 445, \"power_w\": 5}. " +
		"Its result is one JSON object a line, unrounded, or says under \"refused\" what stands against it and what to do next. " +
		"Blank lines are passed over. Exit status: 0 all computed, 2 called wrongly, 3 where any was refused.\n\n" +
		"Quantities and their inputs; the unit stands in the name, [..] is taken where an input is left out:\n")
	for _, q := range quantity.All() {
		fmt.Fprintf(&b, "\n    %s: %s%s\n", q.Name, q.Title, unitIn(q.Unit))
		for _, in := range q.Inputs {
			fmt.Fprintf(&b, "      %s%s  %s\n", in.Name, usual(in), in.Meaning+choices(in))
		}
	}
	b.WriteString("\nResults are " + quantity.Caution + ".")
	return b.String()
}

func unitIn(unit string) string {
	if unit == "" {
		return ""
	}
	return ", in " + unit
}

func usual(in quantity.Input) string {
	if in.Default == nil {
		return ""
	}
	if in.Default == "" {
		return " [unknown]"
	}
	return fmt.Sprintf(" [%v]", in.Default)
}

func choices(in quantity.Input) string {
	switch in.Kind {
	case quantity.Choice:
		return "; one of " + strings.Join(in.Choices, ", ")
	case quantity.Whole, quantity.Flag:
		return "; " + string(in.Kind)
	}
	return ""
}
