package svg

import "fmt"

// element is one element of the file.
type element struct {
	name     string
	attrs    map[string]string
	parent   *element
	children []*element
	index    int // among its parent's children
	line     int
	text     []byte    // of style elements only
	own      *declared // computed once, for the tree in which it is drawn
	ownIn    *element  // root of that tree; nil is the document
}

func (n *element) place() string {
	if id := n.attrs["id"]; id != "" {
		return fmt.Sprintf("%s %.40q, line %d", n.name, id, n.line)
	}
	return fmt.Sprintf("%s, line %d", n.name, n.line)
}
