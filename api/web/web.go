// Package web draws the pages: view models, templates and static files, all embedded. It knows no
// database and no HTTP routes; package api fills the views and decides who may see them.
package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"sync"
	"time"
)

//go:embed template/*.html
var templateFiles embed.FS

// Shell is what every page shows around its content. Instants in views are in the site's zone.
type Shell struct {
	Title  string
	Here   string  // path of the page among the navigation's links
	Person *Person // nil when nobody is signed in
	Now    time.Time
	Notice string // what the last act did, read out
	// Problem is what the last act was refused for.
	Problem *Problem
}

// Person is who is signed in.
type Person struct {
	Name string
	Role string
}

// Problem is a refusal: everything that says no, each with what to do next.
type Problem struct {
	Title   string
	Reasons []Reason
}

// Reason is one thing that says no.
type Reason struct {
	What  string
	Next  string
	Limit string // with Value where a bound was passed
	Value string
}

// pages lists the templates that are pages; each is parsed together with the frame and the parts.
var pages = []string{
	"beam-sheet",
	"board",
	"calibration",
	"commissioning",
	"commissioning-question",
	"dossier",
	"eyewear",
	"fire-watch",
	"hand-in",
	"head",
	"head-check",
	"history",
	"incident",
	"incidents",
	"job",
	"join",
	"logbook",
	"machine",
	"material",
	"materials",
	"me",
	"people",
	"person",
	"problem",
	"proof",
	"queue",
	"report",
	"run",
	"set",
	"settings-grid",
	"sign-in",
	"site",
	"site-ca",
	"station",
	"station-enrol",
	"stations",
	"upkeep",
	"watch",
}

var parsed = sync.OnceValues(func() (map[string]*template.Template, error) {
	all := map[string]*template.Template{}
	for _, name := range pages {
		t, err := template.New("page "+name).Funcs(functions()).ParseFS(templateFiles,
			"template/frame.html", "template/part*.html", "template/"+name+".html")
		if err != nil {
			return nil, fmt.Errorf("template %s: %w", name, err)
		}
		all[name] = t
	}
	return all, nil
})

func functions() template.FuncMap {
	return template.FuncMap{
		"duration":  Duration,
		"length":    Length,
		"mm":        Millimetres,
		"size":      Size,
		"count":     Count,
		"count64":   func(n int64, one, many string) string { return Count(int(n), one, many) },
		"sign":      Sign,
		"signs":     SignSheet,
		"static":    StaticPath,
		"gate":      func(g Gate) template.HTML { return GateSVG(g, GateSmall) },
		"beam":      func(b GateBar) template.HTML { return GateSVG(Gate{Bars: []GateBar{b}}, GateBeam) },
		"record":    func(g Gate) template.HTML { return GateSVG(g, GateRecord) },
		"time":      func(t time.Time) template.HTML { return timeElement(t, "15:04") },
		"second":    func(t time.Time) template.HTML { return timeElement(t, "15:04:05 MST") },
		"instant":   func(t time.Time) template.HTML { return timeElement(t, "Mon 2 Jan 2006, 15:04:05 MST") },
		"entrytime": func(t time.Time) template.HTML { return timeElement(t, "2 Jan 2006 15:04:05 MST") },
		"day":       func(t time.Time) template.HTML { return timeElement(t, "Monday 2 January, 15:04 MST") },
		"date":      func(t time.Time) template.HTML { return timeElement(t, "Monday 2 January, MST") },
		"yearday":   func(t time.Time) template.HTML { return timeElement(t, "2 January 2006") },
		"minute":    func(t time.Time) template.HTML { return timeElement(t, "2 Jan 2006, 15:04") },
		"clock":     func(t, now time.Time) template.HTML { return timeText(t, Clock(t, now)) },
		"sentence":  Sentence,
		"join":      strings.Join,
		"seconds":   func(ms int64) int64 { return (ms + 999) / 1000 },
	}
}

func timeElement(t time.Time, layout string) template.HTML { return timeText(t, t.Format(layout)) }

func timeText(t time.Time, text string) template.HTML {
	return template.HTML(`<time datetime="` + t.Format(time.RFC3339) + `">` + template.HTMLEscapeString(text) + `</time>`)
}

// render executes one template of a page into a buffer first: a page is sent whole or not at all.
func render(w io.Writer, page, name string, view any) error {
	all, err := parsed()
	if err != nil {
		return err
	}
	t, ok := all[page]
	if !ok {
		return fmt.Errorf("no page %q", page)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, name, view); err != nil {
		return fmt.Errorf("page %s: %w", page, err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

// RenderProblem writes the page of an error that belongs to no other page.
func RenderProblem(w io.Writer, v ProblemView) error { return render(w, "problem", "frame", v) }

// ProblemView is an error page.
type ProblemView struct {
	Shell
	Detail    string
	RequestID string
}

// RenderSignIn writes the sign-in page.
func RenderSignIn(w io.Writer, v SignInView) error { return render(w, "sign-in", "frame", v) }

// SignInView is the sign-in page.
type SignInView struct {
	Shell
	SignInName string // as typed before
	Station    bool   // this device is a station: a PIN is enough
	Next       string // path to go to afterwards, on this server only
	Passkeys   PasskeysView
}
