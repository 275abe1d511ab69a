package quantity

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// mostWhole bounds whole numbers, so that none overflows on its way.
const mostWhole = 1_000_000_000

// mostText is the longest text that an input takes, in bytes.
const mostText = 200

// values are inputs that were read: float64, int64, string or bool, by their Kind.
type values map[string]any

func (v values) number(name string) float64 { return v[name].(float64) }
func (v values) whole(name string) int64    { return v[name].(int64) }
func (v values) text(name string) string    { return v[name].(string) }
func (v values) flag(name string) bool      { return v[name].(bool) }

// wants says what the input takes.
func (in Input) wants() string {
	if in.Kind == Choice {
		return "one of " + strings.Join(in.Choices, ", ")
	}
	return "a " + string(in.Kind)
}

// read turns a value into the type of the input's kind.
func (in Input) read(raw any) (any, error) {
	switch in.Kind {
	case Number:
		return number(raw)
	case Whole:
		n, err := number(raw)
		if err != nil {
			return nil, err
		}
		if n != math.Trunc(n) || math.Abs(n) > mostWhole {
			return nil, fmt.Errorf("%v is no whole number up to %d", n, mostWhole)
		}
		return int64(n), nil
	case Flag:
		if b, ok := raw.(bool); ok {
			return b, nil
		}
	case Text, Choice:
		text, ok := raw.(string)
		switch {
		case !ok:
		case len(text) > mostText:
			return nil, fmt.Errorf("longer than %d bytes", mostText)
		case in.Kind == Choice && !slices.Contains(in.Choices, text):
			return nil, fmt.Errorf("%.60q is no choice", text)
		default:
			return text, nil
		}
	}
	return nil, fmt.Errorf("%s is no %s", said(raw), in.Kind)
}

func number(raw any) (float64, error) {
	var n float64
	switch v := raw.(type) {
	case float64:
		n = v
	case int:
		n = float64(v)
	case int64:
		n = float64(v)
	case json.Number:
		var err error
		if n, err = strconv.ParseFloat(string(v), 64); err != nil {
			return 0, fmt.Errorf("%.60q is too large or no number", string(v))
		}
	default:
		return 0, fmt.Errorf("%s is no number", said(raw))
	}
	if !finite(n) {
		return 0, errors.New("not a finite number")
	}
	return n, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// said is a value for a message, whatever it is.
func said(raw any) string {
	switch v := raw.(type) {
	case nil:
		return "null"
	case string:
		return fmt.Sprintf("the text %.60q", v)
	case []any, map[string]any:
		return "a list or an object"
	}
	return fmt.Sprintf("%.60v", raw)
}

// digits of a shown value.
const digits = 3

// shown rounds to three digits, to the given side; what misses a digit only in its last bits is that
// digit.
func shown(v float64, side Rounding) string {
	if v == 0 {
		return "0"
	}
	exponent := int(math.Floor(math.Log10(math.Abs(v))))
	scale := math.Pow10(digits - 1 - exponent)
	if !finite(scale) || scale == 0 {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	n := v * scale
	if side == Up {
		n = math.Ceil(n - 1e-9*math.Abs(n))
	} else {
		n = math.Floor(n + 1e-9*math.Abs(n))
	}
	if exponent < -4 {
		return strconv.FormatFloat(n/scale, 'g', digits, 64)
	}
	text := strconv.FormatFloat(n/scale, 'f', max(0, digits-1-exponent), 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}
