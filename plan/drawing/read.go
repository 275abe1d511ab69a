package drawing

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

const svgSpace = "http://www.w3.org/2000/svg"

// node is one element of the file.
type node struct {
	name     string
	attrs    map[string]string
	children []*node
	line     int
	text     string    // of style elements only
	own      *declared // computed once
}

func (n *node) place() string {
	if id := n.attrs["id"]; id != "" {
		return fmt.Sprintf("%s %.40q, line %d", n.name, id, n.line)
	}
	return fmt.Sprintf("%s, line %d", n.name, n.line)
}

// Read turns an SVG file into shapes. Errors are *Refusal.
func Read(data []byte, limits Limits) (*Drawing, error) {
	limits = limits.WithDefaults()
	root, err := parseFile(data, limits)
	if err != nil {
		return nil, err
	}
	r := newReader(root, limits)
	if err := r.readRoot(root); err != nil {
		return nil, err
	}
	return &r.drawing, nil
}

// parseFile builds the tree of elements within the limits.
func parseFile(data []byte, limits Limits) (*node, error) {
	if len(data) > limits.Bytes {
		return nil, &Refusal{
			What: "the drawing is too large", Next: "simplify it or divide it into several drawings",
			Limit: fmt.Sprintf("%d bytes", limits.Bytes), Value: fmt.Sprintf("%d bytes", len(data)),
		}
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, &Refusal{What: "the drawing is empty", Next: "save it again as SVG and hand that file in"}
	}
	p := &parser{dec: xml.NewDecoder(bytes.NewReader(data)), limits: limits}
	p.dec.CharsetReader = charset
	for {
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
		return nil, &Refusal{What: "the file holds no XML element", Next: "hand in an SVG file"}
	}
	return p.root, nil
}

type parser struct {
	dec      *xml.Decoder
	limits   Limits
	root     *node
	stack    []*node
	skipping int // depth inside an element of a foreign namespace
	elements int
}

func (p *parser) line() int {
	line, _ := p.dec.InputPos()
	return line
}

func (p *parser) notXML(err error) error {
	var refusal *Refusal
	if errors.As(err, &refusal) {
		return refusal
	}
	if strings.Contains(err.Error(), "invalid character entity") {
		return &Refusal{
			What: fmt.Sprintf("the drawing uses an entity that XML itself does not define: %.120v", err),
			Next: "save it again without entities (as plain SVG)",
		}
	}
	return &Refusal{
		What: fmt.Sprintf("the file is not well-formed XML: %.160v", err),
		Next: "save the drawing again as SVG and hand that file in",
	}
}

func (p *parser) take(token xml.Token) error {
	switch t := token.(type) {
	case xml.Directive:
		if bytes.Contains(bytes.ToUpper(t), []byte("ENTITY")) {
			return &Refusal{
				What:  "the drawing declares XML entities, which are not read",
				Next:  "save it again without entities (as plain SVG)",
				Place: fmt.Sprintf("line %d", p.line()),
			}
		}
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
			p.stack[n-1].text += string(t)
		}
	}
	return nil
}

func (p *parser) start(t xml.StartElement) error {
	p.elements++
	if p.elements > p.limits.Elements {
		return &Refusal{
			What: "the drawing has too many elements", Next: "simplify it or divide it into several drawings",
			Limit: fmt.Sprint(p.limits.Elements), Value: "more",
		}
	}
	if depth := len(p.stack) + p.skipping + 1; depth > p.limits.Depth {
		return &Refusal{
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
	n := &node{name: t.Name.Local, line: p.line(), attrs: make(map[string]string, len(t.Attr))}
	for _, a := range t.Attr {
		switch {
		case a.Name.Space == "":
			n.attrs[a.Name.Local] = a.Value
		case a.Name.Local == "href" && n.attrs["href"] == "", a.Name.Local == "label" && n.attrs["label"] == "":
			n.attrs[a.Name.Local] = a.Value
		}
	}
	if len(p.stack) > 0 {
		parent := p.stack[len(p.stack)-1]
		parent.children = append(parent.children, n)
	} else if p.root == nil {
		if n.name != "svg" {
			return notSVG(n.name)
		}
		p.root = n
	} else {
		return &Refusal{What: "the file holds a second root element", Next: "save the drawing again as SVG"}
	}
	p.stack = append(p.stack, n)
	return nil
}

func notSVG(name string) error {
	return &Refusal{
		What: fmt.Sprintf("the file is XML but not SVG: it begins with the element %.40q", name),
		Next: "hand in an SVG file",
	}
}

// charset reads what older programs write besides UTF-8.
func charset(label string, in io.Reader) (io.Reader, error) {
	switch strings.ToLower(label) {
	case "utf-8", "us-ascii", "ascii":
		return in, nil
	case "iso-8859-1", "latin1":
		return &latin1{in: in}, nil
	}
	return nil, &Refusal{
		What: fmt.Sprintf("the character encoding %.40q is not read", label),
		Next: "save the drawing again in UTF-8",
	}
}

// latin1 turns ISO 8859-1 bytes, which are the first 256 code points, into UTF-8.
type latin1 struct {
	in   io.Reader
	rest []byte
}

func (l *latin1) Read(out []byte) (int, error) {
	if len(l.rest) == 0 {
		raw := make([]byte, 4096)
		n, err := l.in.Read(raw)
		if n == 0 {
			return 0, err
		}
		l.rest = make([]byte, 0, 2*n)
		for _, b := range raw[:n] {
			l.rest = utf8.AppendRune(l.rest, rune(b))
		}
	}
	n := copy(out, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}
