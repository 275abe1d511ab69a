package oracle_test

import (
	"context"
	_ "embed"
	"fmt"
	"html"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"kerfgate/deploy/browsertest"
)

//go:embed svg_geometry.js
var svgGeometry string

// chromium is one tab of a real browser, which draws many files one after the other.
type chromium struct{ ctx context.Context }

func openChromium(t *testing.T) chromium {
	t.Helper()
	// Nothing that a file names is fetched: no host is known.
	return chromium{browsertest.Open(t, 1000, 800, chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND"), chromedp.Flag("lang", "en-US"))}
}

// seen is what the browser says about a file that it has drawn. Lengths are CSS px, 96 to the inch.
type seen struct {
	Width, Height float64 // of the root
	Shapes        []seenShape
	Images        []seenImage
	Effects       []string // names of what the browser draws beyond plain outlines
}

// seenShape is one geometry element as it is drawn, instances of use included.
type seenShape struct {
	Name   string
	Length float64     // user units
	Points [][]float64 // at equal steps of the length, on the page
	Filled [][]float64 // where a group asks for it: a grid of points inside, on the page
	Box    []float64   // getBBox: x, y, width, height in user units
	CTM    []float64   // user units → page: a, b, c, d, e, f
}

// seenImage is the frame of an image element.
type seenImage struct{ Box, CTM []float64 }

// notDrawn are the elements whose contents only show where something refers to them. A symbol shows
// as the root of an instance.
var notDrawn = []string{"defs", "clipPath", "mask", "pattern", "marker", "linearGradient", "radialGradient", "filter", "title", "desc", "metadata", "style", "script"}

// sheet is a file to be drawn, with the page size in mm for a root that has none of its own: what a
// browser makes of such a root depends on its window.
type sheet struct {
	file              string
	widthMM, heightMM float64
}

// draw loads the files, each into a frame of its own, and measures them.
func (c chromium) draw(t *testing.T, sheets []sheet) (all []seen) {
	t.Helper()
	const batch = 50
	for chunk := range slices.Chunk(sheets, batch) {
		var page strings.Builder
		page.WriteString("<!DOCTYPE html><title>frames</title>")
		for _, s := range chunk {
			absolute, err := filepath.Abs(s.file)
			if err != nil {
				t.Fatal(err)
			}
			address := url.URL{Scheme: "file", Path: absolute}
			fmt.Fprintf(&page, `<iframe src="%s" style="position:absolute;left:0;top:0;width:1000px;height:800px;border:0"></iframe>`,
				html.EscapeString(address.String()))
		}
		file := filepath.Join(t.TempDir(), "frames.html")
		if err := os.WriteFile(file, []byte(page.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(c.ctx, 3*time.Minute) // a busy machine needs more than half a minute
		out, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) ([]seen, error) {
			return measure(ctx, target, "file://"+file, chunk)
		})
		cancel()
		if err != nil {
			t.Fatalf("in the browser: %v", err)
		}
		all = append(all, out...)
	}
	return all
}

func measure(ctx context.Context, target *chromedp.Target, address string, sheets []sheet) (all []seen, err error) {
	if _, err := chromedp.Navigate(address)(ctx, target); err != nil {
		return nil, err
	}
	depth, yes := int64(-1), true
	document, err := cdp.Call(ctx, target, dom.GetDocument, dom.GetDocumentParams{Depth: &depth, Pierce: &yes})
	if err != nil {
		return nil, err
	}
	frames := framesOf(document.Root)
	if len(frames) != len(sheets) {
		return nil, fmt.Errorf("%d frames for %d files", len(frames), len(sheets))
	}
	for i, frame := range frames {
		// By their lasting ids: those of the session are given anew when chromedp follows the document.
		var nodes []cdp.BackendNodeID
		collect(frame, false, &nodes)
		args := []*runtime.CallArgument{{Value: number(sheets[i].widthMM)}, {Value: number(sheets[i].heightMM)}}
		for _, id := range nodes {
			object, err := cdp.Call(ctx, target, dom.ResolveNode, dom.ResolveNodeParams{BackendNodeID: id})
			if err != nil {
				return nil, err
			}
			args = append(args, &runtime.CallArgument{ObjectID: object.Object.ObjectID})
		}
		if len(nodes) == 0 {
			return nil, fmt.Errorf("%s is empty", sheets[i].file)
		}
		result, err := cdp.Call(ctx, target, runtime.CallFunctionOn, runtime.CallFunctionOnParams{
			FunctionDeclaration: svgGeometry, ObjectID: args[2].ObjectID, Arguments: args, ReturnByValue: &yes})
		if err != nil {
			return nil, err
		}
		if result.ExceptionDetails != nil {
			return nil, fmt.Errorf("%s: %w", sheets[i].file, &chromedp.ExceptionError{ExceptionDetails: result.ExceptionDetails})
		}
		var s seen
		if err := unmarshal(result.Result.Value, &s); err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, nil
}

// framesOf gives the documents of the page's frames in their order.
func framesOf(n *cdp.Node) (frames []*cdp.Node) {
	if n.ContentDocument != nil {
		return []*cdp.Node{n.ContentDocument}
	}
	for _, c := range n.Children {
		frames = append(frames, framesOf(c)...)
	}
	return frames
}

// collect gives the elements that may be drawn, in the order of drawing. The trees that the browser
// makes for use elements hang below them as shadow roots.
func collect(n *cdp.Node, instance bool, out *[]cdp.BackendNodeID) {
	if n.NodeType == 1 {
		if slices.Contains(notDrawn, n.LocalName) || n.LocalName == "symbol" && !instance {
			return
		}
		*out = append(*out, n.BackendNodeID)
	}
	for _, root := range n.ShadowRoots {
		for _, c := range root.Children {
			collect(c, true, out)
		}
	}
	if n.LocalName != "use" {
		for _, c := range n.Children {
			collect(c, false, out)
		}
	}
}
