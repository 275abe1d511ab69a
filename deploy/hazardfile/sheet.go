package hazardfile

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"kerfgate/plan/hazard/quantity"
	"kerfgate/plan/machine"
)

// entry is one row of the sheet: a result, a refusal, or what is missing.
type entry struct {
	Title    string           `json:"title"`
	Quantity string           `json:"quantity"`
	Result   *quantity.Result `json:"result,omitempty"`
	Refused  *reason          `json:"refused,omitempty"`
	Missing  []string         `json:"missing,omitempty"` // where to say it: field of the profile, or flag
}

// sheet is everything that a profile's tool and air allow to compute.
type sheet struct {
	Machine string  `json:"machine"`
	Tool    string  `json:"tool"`
	Entries []entry `json:"entries"`
	// Notes say what the numbers do not.
	Notes   []string `json:"notes"`
	Caution string   `json:"caution"`
}

func runSheet(cfg Config) error {
	profile, err := readProfile(cfg.Profile)
	if err != nil {
		return err
	}
	tool, err := toolOf(profile, cfg.Tool)
	if err != nil {
		return err
	}
	s := sheetOf(profile, tool, cfg.More)
	if cfg.JSON {
		enc := json.NewEncoder(cfg.Print)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		err = enc.Encode(s)
	} else {
		err = s.print(cfg.Print)
	}
	if err != nil {
		return err
	}
	no := 0
	for _, e := range s.Entries {
		if e.Refused != nil {
			no++
		}
	}
	if no > 0 {
		return &RefusedError{Refused: no, Of: len(s.Entries)}
	}
	return nil
}

func sheetOf(profile machine.Profile, tool machine.Tool, more quantity.Measures) sheet {
	s := sheet{Machine: profile.Name, Tool: tool.Name, Caution: quantity.Caution}
	var rows []quantity.Row
	rows, s.Notes = quantity.OfMachine(profile, tool, more)
	for _, r := range rows {
		e := entry{Title: r.Title, Quantity: r.Quantity, Result: r.Result, Missing: r.Missing}
		if r.Refused != nil {
			no := reasonOf(r.Refused)
			e.Refused = &no
		}
		s.Entries = append(s.Entries, e)
	}
	return s
}

// print writes the sheet for people: values rounded to the side of caution, each with its origin.
func (s sheet) print(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, tool %s\n\n", s.Machine, s.Tool)
	var origins []string
	for _, e := range s.Entries {
		switch {
		case e.Result != nil:
			origin := e.Result.Source
			if e.Result.Edition != "" {
				origin += "; edition: " + e.Result.Edition
			}
			if !slices.Contains(origins, origin) {
				origins = append(origins, origin)
			}
			fmt.Fprintf(&b, "%-44s %s [%d]\n", e.Title, strings.TrimSpace(e.Result.Shown+" "+e.Result.Unit), slices.Index(origins, origin)+1)
			if mechanism, ok := e.Result.Also["mechanism"]; ok {
				fmt.Fprintf(&b, "    %s limit\n", mechanism)
			}
			for _, note := range e.Result.Notes {
				fmt.Fprintf(&b, "    %s\n", note)
			}
		case e.Refused != nil:
			fmt.Fprintf(&b, "%-44s refused: %s\n    next: %s\n", e.Title, e.Refused.What, e.Refused.Next)
		default:
			fmt.Fprintf(&b, "%-44s not computed; missing: %s\n", e.Title, strings.Join(e.Missing, "; "))
		}
	}
	if len(origins) > 0 {
		b.WriteString("\n")
	}
	for i, origin := range origins {
		fmt.Fprintf(&b, "[%d] %s\n", i+1, origin)
	}
	for _, note := range s.Notes {
		fmt.Fprintf(&b, "%s\n", note)
	}
	fmt.Fprintf(&b, "These are %s.\n", s.Caution)
	_, err := io.WriteString(w, b.String())
	return err
}
