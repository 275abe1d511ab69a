// Command audit looks at what the program is made of: that the modules are those of go.sum, that no known
// vulnerability is in code that is called, and a bill of materials (CycloneDX 1.6) of the built program.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"strings"
)

// scanner is pinned, as every tool is that a check runs.
const scanner = "golang.org/x/vuln/cmd/govulncheck@v1.9.0"

func main() {
	strict := flag.Bool("strict", false, "fail where the vulnerability database cannot be reached")
	program := flag.String("program", "bin/kerfgate", "built program that the bill of materials is of")
	bill := flag.String("bill", "artefacts/sbom.cdx.json", "file for the bill of materials")
	flag.Parse()
	if err := run(*strict, *program, *bill); err != nil {
		fmt.Fprintln(os.Stderr, "audit:", err)
		os.Exit(1)
	}
}

func run(strict bool, program, bill string) error {
	if out, err := exec.Command("go", "mod", "verify").CombinedOutput(); err != nil {
		return fmt.Errorf("go mod verify: %s", out)
	}
	text, err := billOf(program)
	if err != nil {
		return err
	}
	if err := os.WriteFile(bill, text, 0o644); err != nil {
		return err
	}
	cmd := exec.Command("go", "run", scanner, "-format", "json", "./...")
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil && strings.Contains(said.String(), "fetching vulnerabilities") && !strict {
		fmt.Println("NOT LOOKED FOR: known vulnerabilities, since vuln.go.dev cannot be reached from here; run it again with -strict where it can")
		return nil
	}
	if err != nil {
		return fmt.Errorf("govulncheck: %s", said.String())
	}
	found, err := called(out)
	if err != nil {
		return err
	}
	var bad []string
	for _, id := range found {
		if reason, ok := accepted[id]; ok {
			fmt.Printf("accepted: %s, since %s\n", id, reason)
			continue
		}
		bad = append(bad, id)
	}
	if len(bad) > 0 {
		return fmt.Errorf("known vulnerabilities in code that is called: %s\n  upgrade the module, or say in deploy/audit/vulnerability.go why it does no harm here", strings.Join(bad, ", "))
	}
	fmt.Printf("modules are those of go.sum; no known vulnerability but %d accepted; bill of materials in %s\n", len(found), bill)
	return nil
}
