package main

import (
	"debug/buildinfo"
	"encoding/json"
	"fmt"
)

// component is one module of a bill of materials; the package URL is that of the purl specification's
// type golang.
type component struct {
	Type    string `json:"type"`
	Name    string `json:"name"`
	Version string `json:"version"`
	PURL    string `json:"purl"`
}

// billOf lists the modules that a program was built of, as the linker wrote them down.
func billOf(program string) ([]byte, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return nil, fmt.Errorf("%w\n  build it first: make build", err)
	}
	all := []component{{Type: "library", Name: "stdlib", Version: info.GoVersion, PURL: "pkg:golang/stdlib@" + info.GoVersion[len("go"):]}}
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		all = append(all, component{Type: "library", Name: m.Path, Version: m.Version, PURL: "pkg:golang/" + m.Path + "@" + m.Version})
	}
	return json.MarshalIndent(map[string]any{
		"bomFormat": "CycloneDX", "specVersion": "1.6", "version": 1,
		"metadata":   map[string]any{"component": map[string]string{"type": "application", "name": "kerfgate"}},
		"components": all,
	}, "", "  ")
}
