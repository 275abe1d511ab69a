// Package svg reads SVG files: the static geometry of SVG 1.1 and what people use of SVG 2.
//
// Where a file is faulty it is taken as the standard says, which is also how browsers draw it, and
// the fault is named in a Notice. What would depend on the viewer (its window, its fonts) and what
// would multiply beyond the limits is a Refusal. Nothing is ever fetched or run.
package svg

import (
	"bytes"
	"fmt"

	"kerfgate/plan/drawing"
)

// Read turns an SVG file into shapes and pictures in millimetres. Errors are *drawing.Refusal.
func Read(data []byte, limits drawing.Limits) (*drawing.Drawing, error) {
	limits = limits.WithDefaults()
	if len(data) > limits.Bytes {
		return nil, &drawing.Refusal{
			What: "the drawing is too large", Next: "simplify it or divide it into several drawings",
			Limit: fmt.Sprintf("%d bytes", limits.Bytes), Value: fmt.Sprintf("%d bytes", len(data)),
		}
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, &drawing.Refusal{What: "the drawing is empty", Next: "save it again as SVG and hand that file in"}
	}
	root, err := parseTree(data, limits)
	if err != nil {
		return nil, err
	}
	r := newReader(root, limits)
	if err := r.readRoot(root); err != nil {
		return nil, err
	}
	return &r.drawing, nil
}
