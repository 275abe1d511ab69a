package svg

import (
	"errors"
	"fmt"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerfgate/plan/drawing"
)

// processorTime is what this process has used so far, which other processes do not add to.
func processorTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// TestS17_HostileXML: what multiplies or nests without end is refused in less than a second and with less than
// 256 MiB allocated in all, by its bounds and not by luck. The forms are those of the MITRE lists
// CWE-776 (entity expansion), CWE-611 (external entities) and CWE-674 (recursion), from memory.
func TestS17_HostileXML(t *testing.T) {
	if testing.Short() {
		t.Skip("measures time and memory")
	}
	entities := func(rows, each int) string { // each entity is the one before it, many times
		var b strings.Builder
		b.WriteString(`<!DOCTYPE svg [<!ENTITY a0 "kale">`)
		for i := 1; i < rows; i++ {
			fmt.Fprintf(&b, `<!ENTITY a%d "%s">`, i, strings.Repeat(fmt.Sprintf("&a%d;", i-1), each))
		}
		fmt.Fprintf(&b, `]><svg xmlns="http://www.w3.org/2000/svg"><text>&a%d;</text></svg>`, rows-1)
		return b.String()
	}
	fan := func(levels, each int) string { // each group uses the next many times: each^levels shapes
		var b strings.Builder
		for i := range levels {
			fmt.Fprintf(&b, `<g id="s%d">%s</g>`, i, strings.Repeat(fmt.Sprintf(`<use href="#s%d"/>`, i+1), each))
		}
		return inMM("<defs>" + b.String() + fmt.Sprintf(`<path id="s%d" d="M0 0h1" stroke="red"/></defs><use href="#s0"/>`, levels))
	}
	for name, file := range map[string]string{
		"a billion kales":                  entities(10, 10),
		"one entity, quadratic":            `<!DOCTYPE svg [<!ENTITY a "` + strings.Repeat("k", 900) + `">]><svg><text>` + strings.Repeat("&a;", 100_000) + `</text></svg>`,
		"external entity":                  `<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/hostname">]><svg><text>&a;</text></svg>`,
		"external parameter entity":        `<!DOCTYPE svg [<!ENTITY % a SYSTEM "http://127.0.0.1:9/a"> %a;]><svg/>`,
		"100,000 deep":                     strings.Repeat("<g>", 100_000) + strings.Repeat("</g>", 100_000),
		"100,000 deep in svg":              "<svg>" + strings.Repeat("<g>", 100_000) + strings.Repeat("</g>", 100_000) + "</svg>",
		"use of itself":                    inMM(`<g id="a"><use href="#a"/></g><use href="#a"/>`),
		"use in a long circle":             inMM(`<g id="a"><use href="#b"/></g><g id="b"><use href="#c"/></g><g id="c"><use href="#a"/></g>`),
		"fan-out of a million":             fan(6, 10),
		"fan-out of two, thirty levels":    fan(30, 2),
		"symbols within patterns":          inMM(`<pattern id="p"><rect width="1" height="1" fill="url(#p)"/></pattern>` + strings.Repeat("<g>", 400) + strings.Repeat("</g>", 400)),
		"a million attributes":             `<svg ` + strings.Repeat(`a="" `, 1_000_000) + `/>`,
		"a million attributes in Latin-1":  `<?xml version="1.0" encoding="ISO-8859-1"?><svg ` + strings.Repeat(`a="" `, 1_000_000) + `/>`,
		"a million attributes of others":   `<svg><x:notes ` + strings.Repeat(`a='' `, 1_000_000) + `/></svg>`,
		"an attribute of 30 MiB, no quote": `<svg a="` + strings.Repeat("k", 30<<20),
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		began := processorTime(t)
		_, err := Read([]byte(file), drawing.Limits{})
		took := processorTime(t) - began
		runtime.ReadMemStats(&after)
		var refusal *drawing.Refusal
		if !errors.As(err, &refusal) {
			t.Errorf("%s: got %v, want a refusal", name, err)
		}
		grown := (after.TotalAlloc - before.TotalAlloc) >> 20
		// A second, and some times what reading it as XML takes a byte. The race detector slows everything down; make
		// test also runs this without it.
		limit := time.Second + time.Duration(len(file))*100*time.Nanosecond
		if took > limit && !raceDetector || grown >= 256 {
			t.Errorf("%s: %v and %d MiB", name, took, grown)
		}
	}
}

// TestAttributesAreCounted: signs of equality that are no attribute's count for nothing.
func TestAttributesAreCounted(t *testing.T) {
	t.Parallel()
	many := strings.Repeat("= ", 2*mostAttributes)
	read(t, inMM(`<!-- `+many+` --><title>`+many+`</title><title><![CDATA[<a `+many+`>]]></title><?notes `+many+`?><path d="M0 0h1" id="`+many+`" stroke="red"/>`))
	attributes := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, ` a%d=">"`, i)
		}
		return "<g" + b.String() + "/>"
	}
	read(t, inMM(attributes(mostAttributes)+attributes(mostAttributes)))
	var refusal *drawing.Refusal
	if _, err := Read([]byte(inMM(attributes(mostAttributes+1))), drawing.Limits{}); !errors.As(err, &refusal) || refusal.Limit != "1000" {
		t.Errorf("one too many: %v", err)
	}
}
