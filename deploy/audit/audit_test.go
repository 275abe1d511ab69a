package main

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"
)

// TestS29_WhatIsCalled: a vulnerability counts where its code is called, once; one that is only in a module
// does not (the messages are those that govulncheck's package documentation describes).
func TestS29_WhatIsCalled(t *testing.T) {
	t.Parallel()
	got, err := called([]byte(`{"config":{"protocol_version":"v1.0.0"}}
{"osv":{"id":"GO-2099-0001"}}
{"finding":{"osv":"GO-2099-0001","trace":[{"module":"example.org/a","version":"v1.0.0"}]}}
{"finding":{"osv":"GO-2099-0002","trace":[{"module":"example.org/b","package":"example.org/b","function":"Open"},{"module":"kerfgate","function":"main"}]}}
{"finding":{"osv":"GO-2099-0002","trace":[{"module":"example.org/b","package":"example.org/b","function":"Close"}]}}`))
	if err != nil || !slices.Equal(got, []string{"GO-2099-0002"}) {
		t.Errorf("%v %v", got, err)
	}
	if _, err := called([]byte(`{"finding":`)); err == nil {
		t.Error("a stream that was cut off was taken")
	}
}

// TestS29_BillOfMaterials: every module of go.sum that this test's own program was linked with is named.
func TestS29_BillOfMaterials(t *testing.T) {
	t.Parallel()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	text, err := billOf(program)
	if err != nil {
		t.Fatal(err)
	}
	var bill struct {
		BOMFormat  string      `json:"bomFormat"`
		Components []component `json:"components"`
	}
	if err := json.Unmarshal(text, &bill); err != nil {
		t.Fatal(err)
	}
	if bill.BOMFormat != "CycloneDX" || len(bill.Components) == 0 || !strings.HasPrefix(bill.Components[0].PURL, "pkg:golang/stdlib@1.") {
		t.Errorf("%s", text)
	}
	if _, err := billOf("audit_test.go"); err == nil {
		t.Error("a text has a bill of materials")
	}
}
