package svg

import (
	"bufio"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"

	"kerfgate/plan/drawing"
)

const svgSpace = "http://www.w3.org/2000/svg"

// mostStyleBytes bounds the style sheets inside one drawing.
const mostStyleBytes = 1 << 20

// parser builds the tree of elements within the limits.
type parser struct {
	data     []byte
	dec      *xml.Decoder
	counter  *attributeCounter
	limits   drawing.Limits
	root     *element
	stack    []*element
	skipping int // depth inside an element of a foreign namespace
	elements int
	styles   int // bytes of style sheets
}

func parseTree(data []byte, limits drawing.Limits) (*element, error) {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	p := &parser{data: data, counter: &attributeCounter{in: bytes.NewReader(data)}, limits: limits}
	p.dec = xml.NewDecoder(p.counter)
	p.dec.CharsetReader = func(label string, in io.Reader) (io.Reader, error) {
		decoded, err := charset(label, in)
		if err != nil {
			return nil, err
		}
		p.counter = &attributeCounter{in: bufio.NewReader(decoded)}
		return p.counter, nil
	}
	for {
		p.counter.token()
		token, err := p.dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, p.notXML(err)
		}
		if err := p.take(token); err != nil {
			return nil, err
		}
	}
	if p.root == nil {
		return nil, &drawing.Refusal{What: "the file holds no XML element", Next: "hand in an SVG file"}
	}
	return p.root, nil
}

func (p *parser) line() int {
	line, _ := p.dec.InputPos()
	return line
}

func (p *parser) notXML(err error) error {
	var refusal *drawing.Refusal
	if errors.As(err, &refusal) {
		return refusal
	}
	if strings.Contains(err.Error(), "invalid character entity") {
		return &drawing.Refusal{
			What: fmt.Sprintf("the drawing uses an entity that it does not declare: %.120v", err),
			Next: plainSVG,
		}
	}
	return &drawing.Refusal{
		What: fmt.Sprintf("the file is not well-formed XML: %.160v", err),
		Next: "save the drawing again as SVG and hand that file in",
	}
}

func (p *parser) take(token xml.Token) error {
	switch t := token.(type) {
	case xml.Directive:
		return p.declare(t)
	case xml.StartElement:
		return p.start(t)
	case xml.EndElement:
		if p.skipping > 0 {
			p.skipping--
		} else if len(p.stack) > 0 {
			p.stack = p.stack[:len(p.stack)-1]
		}
	case xml.CharData:
		if n := len(p.stack); n > 0 && p.skipping == 0 && p.stack[n-1].name == "style" {
			p.styles += len(t)
			if p.styles > mostStyleBytes {
				return &drawing.Refusal{What: "the drawing's style sheets are too large",
					Next:  "write the properties on the elements themselves",
					Limit: fmt.Sprintf("%d bytes", mostStyleBytes), Value: "more", Place: p.stack[n-1].place()}
			}
			p.stack[n-1].text = append(p.stack[n-1].text, t...)
		}
	}
	return nil
}

func (p *parser) start(t xml.StartElement) error {
	p.elements++
	if p.elements > p.limits.Elements {
		return &drawing.Refusal{
			What: "the drawing has too many elements", Next: "simplify it or divide it into several drawings",
			Limit: fmt.Sprint(p.limits.Elements), Value: "more",
		}
	}
	if depth := len(p.stack) + p.skipping + 1; depth > p.limits.Depth {
		return &drawing.Refusal{
			What: "elements are nested too deeply", Next: "ungroup the drawing and save it again",
			Limit: fmt.Sprint(p.limits.Depth), Value: "more", Place: fmt.Sprintf("line %d", p.line()),
		}
	}
	if p.skipping > 0 {
		p.skipping++
		return nil
	}
	// An undeclared prefix is passed through by the decoder as the name space.
	if space := t.Name.Space; space != "" && space != svgSpace && space != "svg" {
		if p.root == nil {
			return notSVG(t.Name.Local)
		}
		p.skipping++ // an editor's own notes: nothing that is drawn
		return nil
	}
	n := &element{name: t.Name.Local, line: p.line(), attrs: make(map[string]string, len(t.Attr))}
	for _, a := range t.Attr {
		switch {
		case a.Name.Space == "":
			n.attrs[a.Name.Local] = a.Value
		case a.Name.Local == "href" && n.attrs["href"] == "", a.Name.Local == "label" && n.attrs["label"] == "":
			n.attrs[a.Name.Local] = a.Value
		}
	}
	if len(p.stack) > 0 {
		n.parent = p.stack[len(p.stack)-1]
		n.index = len(n.parent.children)
		n.parent.children = append(n.parent.children, n)
	} else if p.root == nil {
		if n.name != "svg" {
			return notSVG(n.name)
		}
		p.root = n
	} else {
		return &drawing.Refusal{What: "the file holds a second root element", Next: "save the drawing again as SVG"}
	}
	p.stack = append(p.stack, n)
	return nil
}

func notSVG(name string) error {
	return &drawing.Refusal{
		What: fmt.Sprintf("the file is XML but not SVG: it begins with the element %.40q", name),
		Next: "hand in an SVG file",
	}
}
