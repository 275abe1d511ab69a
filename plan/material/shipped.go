package material

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
)

//go:embed shipped.json
var shippedData []byte

// Listed is one row of the list of materials that ships with the program.
type Listed struct {
	No int64
	Material
	// Status is the row's verdict as it was published: A allowed, C with care, F forbidden, and its limits.
	Status string
	// Group is for what training tells apart; empty where the row is no one kind of sheet.
	Group Group
	// Relax is for what an officer may be laxer than the list, with a reason; empty for never.
	Relax string
}

// List is the shipped list. It changes with its version only.
type List struct {
	Version   int64
	Materials []Listed
	// Substances are the names of constituents whose elements the list knows, in its order.
	Substances []Substance
}

// Substance is a constituent that the list knows.
type Substance struct {
	Name      string   `json:"name"`
	Group     Group    `json:"group"` // that it tells a material to be of, empty for none
	Also      []string `json:"also"`
	Elements  []string `json:"elements"`
	Forbidden string   `json:"forbidden"` // why no beam may touch it, besides for a halogen or a toxic element
}

type shippedFile struct {
	Version      int64             `json:"version"`
	Sources      map[string]Source `json:"sources"`
	Constituents []Substance       `json:"constituents"`
	Materials    []struct {
		No          int64    `json:"no"`
		Name        string   `json:"name"`
		Group       Group    `json:"group"`
		Label       string   `json:"label"`
		Composition []string `json:"composition"`
		Verdict     Verdict  `json:"verdict"`
		Reason      string   `json:"reason"`
		Status      string   `json:"status"`
		Fumes       []string `json:"fumes"`
		Hazards     []string `json:"hazards"`
		Sources     []string `json:"sources"`
		Relax       string   `json:"relax"`
		Only        []string `json:"only"`
		Marks       []string `json:"marks"`
	} `json:"materials"`
}

// shipped is the list, read once, with its lookups.
var shipped = sync.OnceValue(func() (out struct {
	List
	substances map[string]Substance
	rows       map[int64]Listed
}) {
	list, err := readList(shippedData)
	if err != nil {
		panic("material: the list that ships cannot be read: " + err.Error()) // held by a test
	}
	out.List, out.substances, out.rows = list, map[string]Substance{}, map[int64]Listed{}
	for _, s := range list.Substances {
		for _, name := range append([]string{s.Name}, s.Also...) {
			out.substances[name] = s
		}
	}
	for _, l := range list.Materials {
		out.rows[l.No] = l
	}
	return out
})

// Shipped is the list of materials that ships with the program. The caller must not change it.
func Shipped() List { return shipped().List }

// ListedAs finds a row of the shipped list.
func ListedAs(no int64) (Listed, bool) {
	l, ok := shipped().rows[no]
	return l, ok
}

// substanceOf finds what the list knows of a constituent, by any of its names.
func substanceOf(name string) (Substance, bool) {
	s, ok := shipped().substances[strings.ToLower(strings.TrimSpace(name))]
	return s, ok
}

// readList reads the file strictly: unknown fields, double numbers, unnamed sources and symbols that are
// no element are errors.
func readList(data []byte) (List, error) {
	var f shippedFile
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return List{}, err
	}
	list := List{Version: f.Version, Substances: f.Constituents}
	names := map[string]bool{}
	for _, s := range f.Constituents {
		if s.Group != "" && !s.Group.Known() {
			return List{}, fmt.Errorf("%s: there is no group %q", s.Name, s.Group)
		}
		for _, name := range append([]string{s.Name}, s.Also...) {
			if name != strings.ToLower(name) || names[name] {
				return List{}, fmt.Errorf("constituent %q stands twice, or not in lower case", name)
			}
			names[name] = true
		}
		for _, e := range s.Elements {
			if !IsElement(e) {
				return List{}, fmt.Errorf("%s: %q is no element", s.Name, e)
			}
		}
	}
	seen := map[int64]bool{}
	for _, r := range f.Materials {
		if r.No < 1 || seen[r.No] || r.Name == "" {
			return List{}, fmt.Errorf("row %d stands twice or names nothing", r.No)
		}
		if r.Group != "" && !r.Group.Known() {
			return List{}, fmt.Errorf("row %d: there is no group %q", r.No, r.Group)
		}
		seen[r.No] = true
		l := Listed{No: r.No, Status: r.Status, Relax: r.Relax, Group: r.Group, Material: Material{Name: r.Name, Label: r.Label, Composition: Of(r.Composition...),
			Hazards: r.Hazards, Fumes: r.Fumes, Verdict: r.Verdict, Reason: r.Reason, Only: r.Only, Marks: r.Marks, Listed: r.No}}
		for _, key := range r.Sources {
			s, ok := f.Sources[key]
			if !ok {
				return List{}, fmt.Errorf("row %d: no source %q", r.No, key)
			}
			l.Sources = append(l.Sources, s)
		}
		list.Materials = append(list.Materials, l)
	}
	return list, nil
}
