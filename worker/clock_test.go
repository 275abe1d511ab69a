package worker

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"kerfgate/checklist/permit"
)

// F18: no wall clock has a say. The worker's code reads time only from Config.Clock, which counts
// suspended time and knows no date; the one other reading measures how long a stop took, for people. And
// no signed statement holds an instant that a clock could be held against: ages are seconds.
func TestF18_NoWallClock(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	allowed := map[string]bool{"halt.go": true}
	seen := map[string]bool{}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(parsed, func(n ast.Node) bool {
			call, ok := n.(*ast.SelectorExpr)
			if ok && nameOf(call) == "time.Now" {
				seen[file] = true
				if !allowed[file] {
					t.Errorf("%s reads the wall clock", file)
				}
			}
			return true
		})
	}
	if !seen["halt.go"] {
		t.Error("the search does not find the reading that is there")
	}
	for _, statement := range []any{permit.Permit{}, permit.Leave{}, permit.Go{}, permit.Void{}, permit.Resume{}, permit.Handover{}, permit.Lockout{}, permit.Applied{}} {
		kind := reflect.TypeOf(statement)
		for i := range kind.NumField() {
			if kind.Field(i).Type == reflect.TypeFor[time.Time]() {
				t.Errorf("%s.%s is an instant", kind.Name(), kind.Field(i).Name)
			}
		}
	}
}

func nameOf(s *ast.SelectorExpr) string {
	if of, ok := s.X.(*ast.Ident); ok {
		return of.Name + "." + s.Sel.Name
	}
	return ""
}
