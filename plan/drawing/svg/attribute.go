package svg

import (
	"fmt"
	"io"

	"kerfgate/plan/drawing"
)

// mostAttributes bounds what one element carries. The XML reader gathers all of them before it shows the
// element, so they are counted as its bytes go by.
const mostAttributes = 1_000

// attributeCounter hands bytes on to the XML reader and refuses an element with too many attributes.
type attributeCounter struct {
	in interface {
		io.Reader
		io.ByteReader
	}
	state byte // 't' text, '<' after one, 'e' inside an element's tag, '.' inside anything else
	quote byte // that an attribute's value began with, 0 outside values
	last  byte
	count int
}

// token says that the XML reader begins a new token; of a text before it it has read one byte more.
func (c *attributeCounter) token() {
	if c.state = 't'; c.last == '<' {
		c.state = '<'
	}
	c.quote, c.count = 0, 0
}

// ReadByte reads a byte; its error is a *drawing.Refusal where an element has too many attributes.
func (c *attributeCounter) ReadByte() (byte, error) {
	b, err := c.in.ReadByte()
	if err != nil {
		return b, err
	}
	c.last = b
	switch c.state {
	case 't':
		if b == '<' {
			c.state = '<'
		}
	case '<':
		if c.state = 'e'; b == '!' || b == '?' || b == '/' {
			c.state = '.'
		}
	case 'e':
		switch {
		case c.quote != 0:
			if b == c.quote {
				c.quote = 0
			}
		case b == '"' || b == '\'':
			c.quote = b
		case b == '=':
			if c.count++; c.count > mostAttributes {
				return 0, &drawing.Refusal{What: "an element has too many attributes", Next: plainSVG,
					Limit: fmt.Sprint(mostAttributes), Value: "more"}
			}
		}
	}
	return b, nil
}

// Read passes the bytes on to a reader of another encoding, which has a counter of its own behind it.
func (c *attributeCounter) Read(p []byte) (int, error) { return c.in.Read(p) }
