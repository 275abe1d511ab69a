package dxf

import (
	"strings"
)

// header is what the reader wants to know of the HEADER section.
type header struct {
	version   string // "AC1009" is R12; what has no version is read as R12
	codePage  string
	unit      int // $INSUNITS; 0 is unitless or not said
	system    int // $MEASUREMENT: 0 imperial, 1 metric
	hasSystem bool
}

// Versions of the format: R12 and 2018.
const (
	oldest = "AC1009"
	newest = "AC1032"
)

// readHeader reads the variables of one HEADER section, up to its end.
func (r *reader) readHeader() error {
	variable := ""
	for {
		g, ok, err := r.scan.next()
		if err != nil || !ok || g.code == 0 {
			return err
		}
		if g.code == 9 {
			variable = strings.ToUpper(string(g.value))
			continue
		}
		switch variable {
		case "$ACADVER":
			r.header.version = strings.ToUpper(string(g.value))
			if v := r.header.version; v < oldest || v > newest {
				r.note("$ACADVER", g.line, "compare what was read with the drawing; if in doubt save it again as DXF R12 to 2018",
					"the file's version is not one of R12 to 2018; it is read as if it were")
			}
		case "$DWGCODEPAGE":
			r.header.codePage = strings.ToUpper(string(g.value))
		case "$INSUNITS":
			r.header.unit, err = g.integer()
		case "$MEASUREMENT":
			r.header.system, err = g.integer()
			r.header.hasSystem = true
		}
		if err != nil {
			return err
		}
	}
}

// integer reads a value as a whole number; some writers give it a decimal point.
func (g group) integer() (int, error) {
	v, err := g.number()
	if err != nil {
		return 0, err
	}
	if v < -1<<31 || v > 1<<31 || v != float64(int(v)) {
		return 0, g.notNumber()
	}
	return int(v), nil
}
