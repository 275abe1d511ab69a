package hazardfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"

	"kerfgate/deploy/demo"
	"kerfgate/plan/machine"
)

// mostProfile is the largest profile in bytes.
const mostProfile = 1 << 20

// readProfile reads a profile strictly, or takes the demo machine of that bay; a name with a dot or a
// slash in it is a file's.
func readProfile(name string) (machine.Profile, error) {
	if !strings.ContainsAny(name, `./\`) {
		return example(name)
	}
	var p machine.Profile
	f, err := os.Open(name)
	if err != nil {
		return p, &UsageError{What: fmt.Sprintf("the profile cannot be read: %v", err), Next: "name a JSON file that exists and that you may read"}
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, mostProfile+1))
	if err != nil || len(data) > mostProfile {
		return p, &UsageError{What: fmt.Sprintf("%s cannot be read, or is larger than %d KiB", name, mostProfile>>10), Next: "name the JSON file of one profile"}
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&p); err != nil {
		return p, &UsageError{What: fmt.Sprintf("%s is no profile: %v", name, err), Next: "correct it; plan/machine/profile.go names the fields"}
	}
	if dec.More() {
		return p, &UsageError{What: name + " goes on after its first JSON value", Next: "leave one profile in it"}
	}
	return p, nil
}

func example(name string) (machine.Profile, error) {
	var examples []string
	for _, m := range demo.Machines() {
		bay := strings.ReplaceAll(strings.ToLower(m.Bay), " ", "-")
		if bay == name {
			return m.Profile, nil
		}
		examples = append(examples, bay)
	}
	return machine.Profile{}, &UsageError{What: fmt.Sprintf("there is no example %.60q for --profile", name),
		Next: "name a profile as a JSON file (its name has a dot in it), or one of: " + strings.Join(examples, ", ")}
}

// toolOf finds the named tool, or the first beam, or the first tool of a machine that has none.
func toolOf(p machine.Profile, name string) (machine.Tool, error) {
	if len(p.Tools) == 0 {
		return machine.Tool{}, &UsageError{What: "the profile has no tools", Next: `add at least one under "tools"`}
	}
	var names []string
	for _, t := range p.Tools {
		if t.Name == name || name == "" && t.Kind == machine.ToolBeam {
			return t, nil
		}
		names = append(names, t.Name)
	}
	if name == "" {
		return p.Tools[0], nil
	}
	return machine.Tool{}, &UsageError{What: fmt.Sprintf("the profile has no tool %.60q", name), Next: "take one of " + strings.Join(names, ", ")}
}
