package web

import (
	"fmt"
	"html"
	"html/template"
	"strings"
)

// Gate is what stands across a lane: one bar for each checklist item.
type Gate struct {
	Bars   []GateBar
	Locked bool // the machine is locked out: the gate is crossed, whatever the bars say
}

// GateBar is one checklist item at the gate.
type GateBar struct {
	Key     string
	Title   string
	Up      bool
	Problem string   // why the bar stays down though it was answered
	Said    []string // what was answered, as people read it
}

// Down counts the bars that are not up.
func (g Gate) Down() int {
	n := 0
	for _, b := range g.Bars {
		if !b.Up {
			n++
		}
	}
	return n
}

// Words says in a line what the drawing shows.
func (g Gate) Words() string {
	if g.Locked {
		return "gate crossed: locked out"
	}
	if len(g.Bars) == 0 {
		return "gate shut"
	}
	var down []string
	for _, b := range g.Bars {
		if !b.Up {
			down = append(down, b.Title)
		}
	}
	if len(down) == 0 {
		return "gate: all " + Count(len(g.Bars), "bar", "bars") + " up"
	}
	return fmt.Sprintf("gate: %s of %d down: %s", Count(len(down), "bar", "bars"), len(g.Bars),
		strings.Join(down, ", "))
}

// GateSize chooses how large the gate is drawn.
type GateSize int

// Sizes of the drawing.
const (
	GateSmall  GateSize = iota // on the board: posts and bars
	GateBeam                   // on the station: one bar across its row, stretched to the row
	GateRecord                 // in a record: each answer written on its bar
)

// GateSVG draws the gate. A bar that is up leans from its hinge and leaves the right post free; a
// bar that is down lies across both posts; one that was answered and stays down carries a notch.
// Colour has no part in it, the red cross of a locked machine apart (prohibition, ISO 3864-1).
func GateSVG(g Gate, size GateSize) template.HTML {
	var b strings.Builder
	switch size {
	case GateBeam:
		beam(&b, g)
	case GateRecord:
		record(&b, g)
	default:
		small(&b, g)
	}
	return template.HTML(b.String())
}

func small(b *strings.Builder, g Gate) {
	const step, right = 20, 112
	rows := max(len(g.Bars), 4)
	if g.Locked {
		rows = 4
	}
	height := 26 + rows*step
	fmt.Fprintf(b, `<svg class="gate gate-small" viewBox="0 0 132 %d" role="img" aria-label="%s">`, height,
		html.EscapeString(g.Words()))
	fmt.Fprintf(b, `<path d="M14 4V%d M118 4V%d" stroke="currentColor" stroke-width="7" fill="none"/>`,
		height-2, height-2)
	fmt.Fprintf(b, `<path d="M2 %d H26 M106 %d H130" stroke="currentColor" stroke-width="4" fill="none"/>`,
		height-2, height-2)
	switch {
	case g.Locked:
		fmt.Fprintf(b, `<path d="M16 10 L116 %d M116 10 L16 %d" class="cross" stroke="#850d16" stroke-width="10" fill="none"/>`,
			height-14, height-14)
	case len(g.Bars) == 0:
		fmt.Fprintf(b, `<path d="M14 %d H118" stroke="currentColor" stroke-width="4" stroke-dasharray="7 6" fill="none"/>`,
			height/2)
	}
	if !g.Locked {
		for i, bar := range g.Bars {
			y := 26 + i*step
			if bar.Up {
				fmt.Fprintf(b, `<path d="M14 %d L%d %d" stroke="currentColor" stroke-width="6" fill="none"/>`,
					y, right-16, y-17)
				continue
			}
			fmt.Fprintf(b, `<path d="M14 %d H126" stroke="currentColor" stroke-width="9" fill="none"/>`, y)
			if bar.Problem != "" {
				fmt.Fprintf(b, `<path d="M60 %d l12 9 m0 -9 l-12 9" stroke="#fff" stroke-width="2.5" fill="none"/>`, y-4)
			}
		}
	}
	b.WriteString(`</svg>`)
}

// beam draws the first bar alone, in a field that its row stretches.
func beam(b *strings.Builder, g Gate) {
	b.WriteString(`<svg class="gate gate-beam" viewBox="0 0 1000 24" preserveAspectRatio="none" aria-hidden="true" focusable="false">`)
	if len(g.Bars) > 0 && g.Bars[0].Up {
		b.WriteString(`<path d="M0 17 L950 0 V5 L0 24z" fill="currentColor"/>`)
	} else {
		b.WriteString(`<path d="M0 9 H1000 V24 H0z" fill="currentColor"/>`)
	}
	b.WriteString(`</svg>`)
}

func record(b *strings.Builder, g Gate) {
	const width, line = 420, 19
	type row struct {
		bar   GateBar
		lines []string
		y, h  int
	}
	rows := make([]row, 0, len(g.Bars))
	y := 14
	for _, bar := range g.Bars {
		lines := wrap(strings.Join(bar.Said, ", "), 38)
		if len(lines) == 0 {
			lines = []string{"not answered"}
		}
		h := 34 + line*len(lines)
		rows = append(rows, row{bar, lines, y, h})
		y += h + 14
	}
	height := y + 6
	fmt.Fprintf(b, `<svg class="gate gate-record" viewBox="0 0 %d %d" role="img" aria-label="%s">`, width, height,
		html.EscapeString(g.Words()))
	fmt.Fprintf(b, `<path d="M8 2V%d M412 2V%d" stroke="currentColor" stroke-width="8" fill="none"/>`, height-2, height-2)
	for _, r := range rows {
		// An upper edge that climbs away from the right post: the bar was up.
		if r.bar.Up {
			fmt.Fprintf(b, `<path d="M8 %d L392 %d V%d L8 %dz" class="bar-face" fill="none" stroke="currentColor" stroke-width="2.5"/>`,
				r.y+2, r.y-8, r.y+r.h-10, r.y+r.h)
		} else {
			fmt.Fprintf(b, `<path d="M8 %d H412 V%d H8z" class="bar-face" fill="none" stroke="currentColor" stroke-width="5"/>`,
				r.y, r.y+r.h)
		}
		state := "up"
		if !r.bar.Up {
			state = "down"
		}
		fmt.Fprintf(b, `<use href="#%s" x="20" y="%d" width="34" height="34"/>`, Sign(r.bar.Key), r.y+(r.h-34)/2-2)
		fmt.Fprintf(b, `<text x="66" y="%d" font-size="16" font-weight="700" fill="currentColor">%s</text>`,
			r.y+21, html.EscapeString(r.bar.Title))
		fmt.Fprintf(b, `<text x="384" y="%d" font-size="13" text-anchor="end" fill="currentColor">%s</text>`, r.y+21, state)
		for i, text := range r.lines {
			fmt.Fprintf(b, `<text x="66" y="%d" font-size="15" fill="currentColor">%s</text>`,
				r.y+21+line*(i+1), html.EscapeString(text))
		}
	}
	b.WriteString(`</svg>`)
}

// wrap breaks text at spaces into lines of at most width letters; a longer word is cut.
func wrap(text string, width int) []string {
	var lines []string
	current := []rune{}
	for _, word := range strings.Fields(text) {
		w := []rune(word)
		for len(w) > width {
			if len(current) > 0 {
				lines = append(lines, string(current))
				current = nil
			}
			lines, w = append(lines, string(w[:width])), w[width:]
		}
		if len(current) > 0 && len(current)+1+len(w) > width {
			lines, current = append(lines, string(current)), nil
		}
		if len(current) > 0 {
			current = append(current, ' ')
		}
		current = append(current, w...)
	}
	if len(current) > 0 {
		lines = append(lines, string(current))
	}
	return lines
}
