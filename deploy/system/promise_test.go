package system_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// promised are words that nothing we print may hold: what a program computes from a profile and a marking is
// no promise.
var promised = regexp.MustCompile(`(?i)\b(?:safe|certified)\b`)

// TestNothingPromises reads every text that pages, answers, commands and their help can be made of: string
// literals of the program, templates, scripts, styles, the description of the routes, what is shipped as data.
func TestNothingPromises(t *testing.T) {
	t.Parallel()
	root := filepath.Join("..", "..")
	read := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() {
			if name == "node_modules" || name == "vendor" || name == "testdata" || path != root && strings.HasPrefix(name, ".") || name == "bin" || name == "artefacts" {
				return filepath.SkipDir
			}
			return nil
		}
		switch ext := filepath.Ext(name); {
		case ext == ".go" && !strings.HasSuffix(name, "_test.go"):
			read++
			for _, text := range literals(t, path) {
				if found := promised.FindString(text); found != "" {
					t.Errorf("%s says %q in %q", path, found, text)
				}
			}
		case ext == ".html" || ext == ".js" || ext == ".css" || ext == ".yaml" || ext == ".csv" || ext == ".svg" || ext == ".sql" || ext == ".sh":
			read++
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			if found := promised.Find(data); found != nil {
				t.Errorf("%s says %q", path, found)
			}
		}
		return nil
	})
	if err != nil || read < 300 {
		t.Fatalf("%d files were read, %v", read, err)
	}
	// The check itself can fail, and laser safety is not what it looks for.
	for text, bad := range map[string]bool{"it is safe to open": true, "a Certified pair": true, "laser safety": false, "unsafe-inline": false} {
		if promised.MatchString(text) != bad {
			t.Errorf("%q: found %t", text, !bad)
		}
	}
}

// literals are the strings of one file of the program, besides import paths, the tags of fields, and the
// logbook's kind that names a certificate.
func literals(t *testing.T, path string) []string {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec:
			return false
		case *ast.BasicLit:
			if text, err := strconv.Unquote(n.Value); n.Kind == token.STRING && err == nil && text != "worker.certified" {
				list = append(list, text)
			}
		}
		return true
	})
	return list
}
