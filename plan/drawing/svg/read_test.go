package svg

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
)

// at gives the first point of the drawing's n-th shape.
func at(t testing.TB, d *drawing.Drawing, n int) drawing.Vec {
	t.Helper()
	if n >= len(d.Shapes) {
		t.Fatalf("%d shapes, want more than %d", len(d.Shapes), n)
	}
	return d.Shapes[n].Paths[0].Start
}

// TestPlaces checks where a point ends up, in mm. The rules are those of SVG 2, chapter 8.
func TestPlaces(t *testing.T) {
	t.Parallel()
	const dot = `<path d="M10 20h1" stroke="black"/>`
	for _, tc := range []struct {
		name, svg string
		want      drawing.Vec
	}{
		{"96 px to the inch", `<svg width="96" height="96"><path d="M96 48h1" stroke="black"/></svg>`, vec(25.4, 12.7)},
		{"mm page with viewBox", `<svg width="100mm" height="50mm" viewBox="0 0 1000 500">` + dot + `</svg>`, vec(1, 2)},
		{"viewBox with its own origin", `<svg width="100mm" height="100mm" viewBox="-10 -20 100 100">` + dot + `</svg>`, vec(20, 40)},
		{"width from height", `<svg height="50mm" viewBox="0 0 200 100">` + dot + `</svg>`, vec(5, 10)},
		{"fit in the middle", `<svg width="200mm" height="100mm" viewBox="0 0 100 100">` + dot + `</svg>`, vec(60, 20)},
		{"fit to the left", `<svg width="200mm" height="100mm" viewBox="0 0 100 100" preserveAspectRatio="xMinYMin">` + dot + `</svg>`, vec(10, 20)},
		{"fit to the right", `<svg width="200mm" height="100mm" viewBox="0 0 100 100" preserveAspectRatio="xMaxYMid meet">` + dot + `</svg>`, vec(110, 20)},
		{"slice", `<svg width="200mm" height="100mm" viewBox="0 0 100 100" preserveAspectRatio="xMidYMid slice">` + dot + `</svg>`, vec(20, -10)},
		{"none", `<svg width="200mm" height="100mm" viewBox="0 0 100 100" preserveAspectRatio="none">` + dot + `</svg>`, vec(20, 20)},
		{"translate", inMM(`<g transform="translate(5)"><g transform="translate(1,2)">` + dot + `</g></g>`), vec(16, 22)},
		{"rotate", inMM(`<g transform="rotate(90)">` + dot + `</g>`), vec(-20, 10)},
		{"rotate about a centre", inMM(`<g transform="rotate(180 10 10)">` + dot + `</g>`), vec(10, 0)},
		{"list of transforms", inMM(`<g transform="translate(100,0) scale(2)">` + dot + `</g>`), vec(120, 40)},
		{"nested svg", inMM(`<svg x="100" y="50" width="20" height="20" viewBox="0 0 40 40">` + dot + `</svg>`), vec(105, 60)},
		{"nested svg, percent", inMM(`<svg x="10%" width="200" height="100"><path d="M0 0h1" stroke="black" transform="translate(0,0)"/></svg>`), vec(100, 0)},
		{"use", inMM(`<defs><path id="d" d="M10 20h1" stroke="black"/></defs><use href="#d" x="5" y="6"/>`), vec(15, 26)},
		{"use with transform", inMM(`<defs><path id="d" d="M10 20h1" stroke="black"/></defs><use href="#d" x="5" transform="scale(2)"/>`), vec(30, 40)},
		{"old href", inMM(`<defs><path id="d" d="M10 20h1" stroke="black"/></defs><use xlink:href="#d"/>`), vec(10, 20)},
		{"symbol", inMM(`<symbol id="s" viewBox="0 0 10 10">` + dot + `</symbol><use href="#s" x="100" width="20" height="20"/>`), vec(120, 40)},
		{"svg prefix", `<svg:svg xmlns:svg="http://www.w3.org/2000/svg" width="10mm" height="10mm" viewBox="0 0 10 10"><svg:path d="M1 2h1" stroke="black"/></svg:svg>`, vec(1, 2)},
		{"latin 1", "<?xml version=\"1.0\" encoding=\"ISO-8859-1\"?><svg width=\"10mm\" height=\"10mm\" viewBox=\"0 0 10 10\"><desc>\xe4</desc><path d=\"M1 2h1\" stroke=\"black\"/></svg>", vec(1, 2)},
	} {
		got := at(t, read(t, tc.svg), 0)
		if math.Abs(got.X-tc.want.X) > 1e-9 || math.Abs(got.Y-tc.want.Y) > 1e-9 {
			t.Errorf("%s: got %v, want %v", tc.name, got, tc.want)
		}
	}
}

// TestStyles checks the cascade (CSS: attribute < sheet by weight < style attribute < important).
func TestStyles(t *testing.T) {
	t.Parallel()
	const sheet = `<style><![CDATA[
		path { stroke: #010101; fill: none }
		.b, .c { stroke: #020202 }
		path.b { stroke: rgb(3, 3, 3) }
		#d { stroke: #040404 }
		.e { stroke: #050505 !important }
		bad{ ; : } .f { stroke: lime }
		@media print { path { stroke: #999999 } }
		g > path { stroke: #070707 }
		g path.h { stroke: #080808 }
		path[data-k="i,j"], path[data-k^=m] { stroke: #090909 }
		path:first-child + path.j { stroke: #0a0a0a }
		g ~ path.k { stroke: #0b0b0b }
		path.l { stroke: nonsense; stroke: 3 }
		@media screen { path.m { stroke: #0c0c0c } }
		path:hover { stroke: #888888 }
		* { fill: none }
	]]></style>`
	for _, tc := range []struct{ attrs, stroke string }{
		{`stroke="red"`, "#010101"},
		{`class="b"`, "#030303"},
		{`class="x c"`, "#020202"},
		{`class="b" id="d"`, "#040404"},
		{`class="b" style="stroke:#060606"`, "#060606"},
		{`class="e" style="stroke:#060606"`, "#050505"},
		{`class="f"`, "#00ff00"},
		{`style="stroke:currentColor;color:hsl(120 100% 25%)"`, "#008000"},
		{`style="stroke:#abc"`, "#aabbcc"},
		{`class="l"`, "#010101"},
		{`class="m"`, "#0c0c0c"},
		{`data-k="i,j"`, "#090909"},
		{`data-k="mn"`, "#090909"},
		{`class="k"`, "#010101"},
		{`style="stroke:#060606;stroke:nonsense"`, "#060606"},
		{`style="stroke:initial;fill:initial;fill:none;stroke:#0d0d0d"`, "#0d0d0d"},
	} {
		d := read(t, inMM(sheet+`<path d="M0 0h1" `+tc.attrs+`/>`))
		if got := d.Shapes[0].Stroke; got != tc.stroke {
			t.Errorf("%s: stroke %s, want %s", tc.attrs, got, tc.stroke)
		}
		if got := d.Shapes[0].Fill; got != "none" {
			t.Errorf("%s: fill %s", tc.attrs, got)
		}
	}
	for _, tc := range []struct{ body, stroke string }{
		{`<g><path d="M0 0h1"/></g>`, "#070707"},
		{`<g><g/><path class="h" d="M0 0h1"/></g>`, "#080808"},
		{`<g/><path class="k" d="M0 0h1"/>`, "#0b0b0b"},
		{`<svg><path d=""/><path class="j" d="M0 0h1"/></svg>`, "#0a0a0a"},
	} {
		if got := read(t, inMM(sheet+tc.body)).Shapes[0].Stroke; got != tc.stroke {
			t.Errorf("%s: stroke %s, want %s", tc.body, got, tc.stroke)
		}
	}
	d := read(t, inMM(sheet+`<path d="M0 0h1"/>`))
	for _, want := range []string{"@media", "path:hover", "faulty declaration", "nonsense"} {
		if !noticed(d, want) {
			t.Errorf("no notice about %q in %v", want, d.Notices)
		}
	}
}

// TestNamedColours checks the sixteen names of HTML 4.01 §6.5 and pairs with one value.
func TestNamedColours(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"black": "#000000", "green": "#008000", "silver": "#c0c0c0", "lime": "#00ff00", "gray": "#808080",
		"olive": "#808000", "white": "#ffffff", "yellow": "#ffff00", "maroon": "#800000", "navy": "#000080",
		"red": "#ff0000", "blue": "#0000ff", "purple": "#800080", "teal": "#008080", "fuchsia": "#ff00ff", "aqua": "#00ffff",
	} {
		if got, ok := readColour(name); !ok || got != want {
			t.Errorf("%s: %s", name, got)
		}
	}
	if n := len(colourNames()); n != 148 {
		t.Errorf("%d names, CSS Color 4 has 148", n)
	}
	for a, b := range map[string]string{"aqua": "cyan", "fuchsia": "magenta", "darkgrey": "darkgray"} {
		if colourNames()[a] != colourNames()[b] {
			t.Errorf("%s is not %s", a, b)
		}
	}
}

func TestLayersAndWhatIsNotDrawn(t *testing.T) {
	t.Parallel()
	d := read(t, inMM(`
		<g id="outer"><g><path d="M0 0h1" stroke="red"/></g><g id="g7" x:label="Edge  line"><path d="M0 0h1" stroke="red"/></g></g>
		<path d="M0 0h1" stroke="red"/>
		<g display="none"><path d="M0 0h1" stroke="red"/></g>
		<g visibility="hidden"><path d="M0 0h1" stroke="red"/><path visibility="visible" d="M5 0h1" stroke="blue"/></g>
		<g style="display:none"><path d="M0 0h1" stroke="red"/></g>
		<clipPath id="c"><path d="M0 0h1"/></clipPath><mask><rect width="1" height="1"/></mask>
		<pattern><circle r="1"/></pattern><marker><circle r="1"/></marker><symbol><circle r="1"/></symbol>
		<foreign xmlns="urn:x"><path d="M0 0h1"/></foreign>`))
	var layers []string
	for _, s := range d.Shapes {
		layers = append(layers, s.Layer+":"+s.Stroke)
	}
	if got, want := strings.Join(layers, " "), "outer:#ff0000 Edge line:#ff0000 :#ff0000 :#0000ff"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func noticed(d *drawing.Drawing, what string) bool {
	for _, n := range d.Notices {
		if strings.Contains(n.What, what) && n.Place != "" && n.Next != "" && n.Count > 0 {
			return true
		}
	}
	return false
}

// TestNothingIsDroppedSilently: each of these is named with its place.
func TestNothingIsDroppedSilently(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		`<text x="1" y="2">Kale</text>`:                                             "text",
		`<image width="1" height="1" href="data:,"/>`:                               "image",
		`<foreignObject width="1" height="1"/>`:                                     "foreignObject",
		`<script>1</script>`:                                                        "script",
		`<rect width="1" height="1" clip-path="url(#c)"/>`:                          "clip-path",
		`<rect width="1" height="1" style="mask:url(#c)"/>`:                         "mask",
		`<rect width="1" height="1" filter="url(#c)"/>`:                             "filter",
		`<path d="M0 0h1" stroke="red" marker-end="url(#m)"/>`:                      "marker-end",
		`<linearGradient id="grad"/><rect width="1" height="1" fill="url(#grad)"/>`: "gradient",
		`<rect width="1" height="1" fill="url(#gone)"/>`:                            "neither line nor fill",
		`<path d="M0 0h1" stroke="red" stroke-dasharray="2 1"/>`:                    "dashed",
		`<rect width="1" height="1" fill="none"/>`:                                  "neither line nor fill",
		`<path d="M0 0h1 huh" stroke="red"/>`:                                       "broken",
		`<rect width="0" height="1"/>`:                                              "without size",
		`<use href="#gone"/>`:                                                       "does not exist",
		`<use href="other.svg#x"/>`:                                                 "outside the drawing",
		`<blob/>`:                                                                   "not known",
		`<rect width="1" height="1"><animate/></rect><animate/>`:                    "animation",
		`<rect x="-50" width="10" height="1"/>`:                                     "beyond its page",
		`<rect width="1" height="1" style="transform:spin(3deg)"/>`:                 "spin",
		`<rect width="1" height="1" transform="spin(3)"/>`:                          "spin",
		`<g transform="rotate(1 2)"/>`:                                              "2 numbers",
		`<rect width="1" height="44mmx"/>`:                                          "44mmx",
		`<rect width="1" height="1" style="width:160huh"/>`:                         "width: 160huh", `<svg width="1" height="1" style="width:5px"/>`: "nested svg",
		`<rect width="1" height="1" transform="scale(0)"/>`:                "flattens",
		`<rect width="1" height="1" systemLanguage="en"/>`:                 "language",
		`<rect width="1" height="1" style="fill:var(--c)"/>`:               "variable",
		`<path d="M0 0h1" stroke="red" stroke-width="0"/>`:                 "no width",
		`<image width="1" height="1" href="photo.png"/>`:                   "photo.png",
		`<image width="1" height="1" href="data:image/webp;base64,AAAA"/>`: "image/webp",
		`<use href="#g"/><linearGradient id="g"/>`:                         "linearGradient",
		`<svg preserveAspectRatio="huh" viewBox="0 0 1 1"/>`:               "preserveAspectRatio",
	} {
		if d := read(t, inMM(body)); !noticed(d, want) {
			t.Errorf("%s: no notice about %q in %v", body, want, d.Notices)
		}
	}
	if d := read(t, `<svg viewBox="0 0 5 5"/>`); !noticed(d, "no size of its own") {
		t.Error("a drawing without a size is not named")
	}
}

// TestRefusals: what must not be read is refused by name, with what to do next.
func TestRefusals(t *testing.T) {
	t.Parallel()
	chain := func(n int) string { // each symbol uses the next one twice
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `<g id="s%d"><use href="#s%d"/><use href="#s%d"/></g>`, i, i+1, i+1)
		}
		return inMM("<defs>" + b.String() + fmt.Sprintf(`<path id="s%d" d="M0 0h1" stroke="red"/></defs><use href="#s0"/>`, n))
	}
	for _, tc := range []struct{ name, svg, want string }{
		{"empty", " \n", "empty"},
		{"not XML", "G1 X1", "no XML"},
		{"broken XML", "<svg><g></svg>", "not well-formed"},
		{"cut off", "<svg><g>", "not well-formed"},
		{"not SVG", "<html/>", "not SVG"},
		{"two roots", "<svg/><svg/>", "second root"},
		{"entity of markup", `<!DOCTYPE svg [<!ENTITY a "<g/>">]><svg/>`, "holds markup"},
		{"entity of entities", `<!DOCTYPE svg [<!ENTITY a "b"><!ENTITY c "&a;&a;">]><svg>&c;</svg>`, "refers to another"},
		{"parameter entity", `<!DOCTYPE svg [<!ENTITY % a "b">]><svg/>`, "outside the file"},
		{"outside entity", `<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/hostname">]><svg>&a;</svg>`, "outside the file"},
		{"long entity", `<!DOCTYPE svg [<!ENTITY a "` + strings.Repeat("b", 2000) + `">]><svg/>`, "longer"},
		{"many entities", `<!DOCTYPE svg [` + strings.Repeat(`<!ENTITY a "b">`, 101) + `]><svg/>`, "more than 100"},
		{"entity used often", `<!DOCTYPE svg [<!ENTITY a "` + strings.Repeat("b", 1000) + `">]><svg>` + strings.Repeat("&a;", 2000) + `</svg>`, "would add"},
		{"undeclared entity", `<svg>&a;</svg>`, "entity"},
		{"UTF-16", `<?xml version="1.0" encoding="UTF-16"?><svg/>`, "encoding"},
		{"depth", strings.Repeat("<svg>", 300), "too deeply"},
		{"elements", "<svg>" + strings.Repeat("<g/>", 200_001) + "</svg>", "too many elements"},
		{"NaN in a path", inMM(`<path d="M0 NaN" stroke="red"/>`), "NaN"},
		{"infinite length", inMM(`<line x2="1e999"/>`), "infinite"},
		{"infinite in a path", inMM(`<path d="M0 0L1e999 0"/>`), "infinite"},
		{"infinite by transform", inMM(`<g transform="scale(1e300)"><path d="M0 0L1e300 0"/></g>`), "infinite"},
		{"NaN length", inMM(`<line x2="NaN"/>`), "not a number"},
		{"NaN in the viewBox", `<svg viewBox="0 0 NaN 1"/>`, "not a number"},
		{"flat viewBox", `<svg width="1mm" height="1mm" viewBox="0 0 0 1"/>`, "no area"},
		{"far away", inMM(`<line x2="20000" stroke="red"/>`), "too far"},
		{"unit of a font", inMM(`<line x2="5ex" stroke="red"/>`), "depends on the viewer's fonts"},
		{"unit of a window", inMM(`<line x2="5vw" stroke="red"/>`), "depends on the viewer's window"},
		{"font size by shorthand", inMM(`<line x2="5em" stroke="red" style="font: bold 2px x"/>`), "font size"},
		{"calculation", inMM(`<rect width="1" height="1" style="width:calc(1px + 2px)"/>`), "calculations"},
		{"transform in space", inMM(`<rect width="1" height="1" style="transform:rotateX(5deg)"/>`), "in space"},
		{"rotation in space", inMM(`<rect width="1" height="1" style="rotate:x 5deg"/>`), "in space"},
		{"box around text", inMM(`<g style="transform-box:fill-box;rotate:5deg"><text>Kale</text></g>`), "box of a text"},
		{"way along a path", inMM(`<rect width="1" height="1" style="offset-path:path('M0 0h1')"/>`), "offset-path"},
		{"box of the stroke", inMM(`<rect width="1" height="1" style="transform-box:stroke-box;rotate:5deg"/>`), "stroke"},
		{"skew by 90°", inMM(`<g transform="skewX(90)"/>`), "infinite"},
		{"groups", "<svg>" + strings.Repeat("<g>", 100_000), "too deeply"},
		{"deep selectors", inMM("<style>" + strings.Repeat("g g g g g g g g g g g.x path{fill:red}", 1_000) + "</style>" +
			strings.Repeat("<g>", 200) + strings.Repeat(`<path d="M0 0h1"/>`, 1_000) + strings.Repeat("</g>", 200)), "style sheets are too large"},
		{"style bytes", inMM("<style>" + strings.Repeat(" ", 1<<20) + " </style>"), "style sheets are too large"},
		{"boxes within boxes", inMM(strings.Repeat(`<g style="transform-box:fill-box;rotate:5deg">`, 60) + `<path d="M0 0h1"/>` + strings.Repeat("</g>", 60)), "multiply"},
		{"use of itself", inMM(`<g id="a"><use href="#a"/></g>`), "itself"},
		{"use in a circle", inMM(`<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>`), "itself"},
		{"use multiplied", chain(30), "multiply"},
		{"style sheets", inMM("<style>" + strings.Repeat(".a{fill:red}", 5_000) + "</style>" +
			strings.Repeat(`<path class="a" d="M0 0h1"/>`, 600)), "style sheets are too large"},
	} {
		_, err := Read([]byte(tc.svg), drawing.Limits{})
		var refusal *drawing.Refusal
		if !errors.As(err, &refusal) {
			t.Errorf("%s: got %v, want a refusal", tc.name, err)
			continue
		}
		if !strings.Contains(refusal.Error(), tc.want) || refusal.Next == "" {
			t.Errorf("%s: %q does not say %q and what to do next", tc.name, refusal, tc.want)
		}
	}
	if _, err := Read([]byte("<svg>"+strings.Repeat(" ", 100)+"</svg>"), drawing.Limits{Bytes: 50}); err == nil || !strings.Contains(err.Error(), "too large") {
		t.Errorf("bytes: %v", err)
	}
	for _, body := range []string{
		`<path d="M0 0` + strings.Repeat("h1", 100) + `" stroke="red"/>`,
		`<polyline points="` + strings.Repeat("1 2 ", 100) + `" stroke="red"/>`,
		strings.Repeat(`<path d="M0 0h1" stroke="red"/>`, 30),
	} {
		if _, err := Read([]byte(inMM(body)), drawing.Limits{Points: 50}); err == nil || !strings.Contains(err.Error(), "too many points") {
			t.Errorf("points: %v", err)
		}
	}
}

// TestPlainDoctype: an old document type without entities is nothing to refuse.
func TestPlainDoctype(t *testing.T) {
	t.Parallel()
	read(t, `<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd"><svg/>`)
}

// FuzzSVG: whatever the bytes, a drawing within the limits or a refusal that says what to do next.
func FuzzSVG(f *testing.F) {
	for _, body := range []string{
		`<path d="M0 0a25 25-30 0150-25zc1 2 3 4 5 6" style="stroke:red"/>`,
		`<style>.a{stroke:red}g > b.c ~ *[x^="y"]:first-child{x:5px}@media screen{#i{d:path("M0 0h1")}}</style><symbol id="s" viewBox="0 0 1 1"><rect rx="1" width="5%" height="3"/></symbol><use href="#s"/>`,
		`<g style="transform-box:fill-box;rotate:5deg;scale:2 3;translate:1px 2px;transform:matrix(1,2,3,4,5,6) skew(1deg,2deg);transform-origin:left 3px"><path d="M0 0Q1 2 3 4T5 6S1 2 3 4"/></g>`,
		`<svg x="1" viewBox="0 0 2 3" preserveAspectRatio="xMinYMax slice"><image width="2" preserveAspectRatio="none" href="data:image/png;base64,iVBORw0KGgo="/></svg><switch><g systemLanguage="en"/></switch>`,
		`<ellipse rx="1em" ry="2%"/><polygon points="1,2 3-4.5e1"/><line x2="3mm" stroke="hsl(1turn 2% 3%)"/><circle r="1" fill="url(#a) rgb(1%,2%,3%)"/>`,
	} {
		f.Add([]byte(inMM(body)))
	}
	f.Add([]byte(`<!DOCTYPE svg [<!ENTITY a "b">]><svg width="5mm" id="&a;"/>`))
	f.Fuzz(func(t *testing.T, data []byte) {
		limits := drawing.Limits{Bytes: 1 << 16, Points: 10_000, Expansion: 1_000, Pixels: 10_000}
		d, err := Read(data, limits)
		if err != nil {
			var refusal *drawing.Refusal
			if !errors.As(err, &refusal) || refusal.Next == "" {
				t.Fatalf("not a refusal: %v", err)
			}
			return
		}
		if !drawing.Finite(d.WidthMM, d.HeightMM) || len(d.Notices) > mostNotices+1 {
			t.Fatalf("page %g × %g, %d notices", d.WidthMM, d.HeightMM, len(d.Notices))
		}
		count := 0
		for _, s := range d.Shapes {
			for _, p := range s.Paths {
				count += 1 + len(p.Segments)
				check(t, p.Start)
				for _, q := range p.Segments {
					check(t, q.To)
					check(t, q.C1)
					check(t, q.C2)
				}
				points, _ := p.Flatten(0.1, 10_000)
				for _, v := range points {
					check(t, v)
				}
			}
		}
		pixels := 0
		for _, p := range d.Pictures {
			pixels += p.Width * p.Height
			if len(p.Grey) != p.Width*p.Height {
				t.Fatalf("%d of %d × %d pixels", len(p.Grey), p.Width, p.Height)
			}
			for _, c := range pictureCorners(p) {
				check(t, c)
			}
		}
		if count > limits.Points || pixels > limits.Pixels {
			t.Fatalf("%d points, %d pixels", count, pixels)
		}
	})
}

func check(t *testing.T, v drawing.Vec) {
	t.Helper()
	const most = 1.001 * drawing.MaxExtentMM
	if !drawing.Finite(v.X, v.Y) || math.Abs(v.X) > most || math.Abs(v.Y) > most {
		t.Fatalf("point %v", v)
	}
}
