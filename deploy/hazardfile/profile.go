package hazardfile

import (
	"fmt"
	"strings"

	"kerfgate/deploy/demo"
	"kerfgate/deploy/given"
	"kerfgate/plan/machine"
)

// readProfile reads a profile strictly, or takes the demo machine of that bay.
func readProfile(name string) (p machine.Profile, err error) {
	if !given.IsExample(name) {
		return p, given.JSON(name, "profile", "plan/machine/profile.go names the fields", &p)
	}
	var examples []string
	for _, m := range demo.Machines() {
		if given.ExampleName(m.Bay) == name {
			return m.Profile, nil
		}
		examples = append(examples, given.ExampleName(m.Bay))
	}
	return p, given.NoExample(name, "profile", "a profile", examples)
}

// toolOf finds the named tool, or the first beam, or the first tool of a machine that has none.
func toolOf(p machine.Profile, name string) (machine.Tool, error) {
	if len(p.Tools) == 0 {
		return machine.Tool{}, &given.UsageError{What: "the profile has no tools", Next: `add at least one under "tools"`}
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
	return machine.Tool{}, &given.UsageError{What: fmt.Sprintf("the profile has no tool %.60q", name), Next: "take one of " + strings.Join(names, ", ")}
}
