package hazardfile

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"kerfgate/deploy/given"
	"kerfgate/plan/hazard/quantity"
)

// mostLine is the longest case in bytes.
const mostLine = 16 << 10

// refused is the result of a line without a number.
type refused struct {
	Line     int    `json:"line"`
	Quantity string `json:"quantity,omitempty"`
	Refused  reason `json:"refused"`
	Caution  string `json:"caution"`
}

type reason struct {
	What string `json:"what"`
	Next string `json:"next"`
}

// computed is the result of a line with a number.
type computed struct {
	Line int `json:"line"`
	quantity.Result
}

// runCases answers each line as soon as it was read. It ends with *RefusedError where any was refused.
func runCases(in io.Reader, out io.Writer) error {
	lines := bufio.NewReaderSize(in, mostLine)
	results := bufio.NewWriter(out)
	enc := json.NewEncoder(results)
	enc.SetEscapeHTML(false)
	var all, no int
	for n := 1; ; n++ {
		line, tooLong, err := readLine(lines)
		end := errors.Is(err, io.EOF)
		if err != nil && !end {
			return errors.Join(fmt.Errorf("line %d cannot be read: %w", n, err), results.Flush())
		}
		if tooLong || len(bytes.TrimSpace(line)) > 0 {
			all++
			answer, ok := answered(n, line, tooLong)
			if !ok {
				no++
			}
			if err := enc.Encode(answer); err != nil {
				return err
			}
		}
		// Whoever writes case by case gets result by result.
		if end || lines.Buffered() == 0 {
			if err := results.Flush(); err != nil {
				return err
			}
		}
		if end {
			break
		}
	}
	switch {
	case all == 0:
		return &given.UsageError{What: "there is no case", Next: "give one JSON object a line"}
	case no > 0:
		return &RefusedError{Refused: no, Of: all}
	}
	return nil
}

// readLine reads one line; of one that is too long the rest is dropped.
func readLine(in *bufio.Reader) (line []byte, tooLong bool, err error) {
	line, err = in.ReadSlice('\n')
	for errors.Is(err, bufio.ErrBufferFull) {
		tooLong = true
		_, err = in.ReadSlice('\n')
	}
	return line, tooLong, err
}

func answered(n int, line []byte, tooLong bool) (answer any, ok bool) {
	if tooLong {
		return refused{Line: n, Refused: reason{fmt.Sprintf("the line is longer than %d bytes", mostLine), "give one case a line"}, Caution: quantity.Caution}, false
	}
	name, inputs, err := readCase(line)
	var result quantity.Result
	if err == nil {
		result, err = quantity.Compute(name, inputs)
	}
	if err != nil {
		return refused{Line: n, Quantity: fmt.Sprintf("%.60s", name), Refused: reasonOf(err), Caution: quantity.Caution}, false
	}
	return computed{n, result}, true
}

// reasonOf splits an error of a quantity or of a line.
func reasonOf(err error) reason {
	var input *quantity.InputError
	var no *quantity.Refusal
	switch {
	case errors.As(err, &input):
		return reason{input.What, input.Next}
	case errors.As(err, &no):
		return reason{no.What, no.Next}
	}
	return reason{err.Error(), `give one JSON object a line, such as {"quantity": "air_changes", "flow_m3_per_h": 150, "volume_m3": 0.06}`}
}

// readCase reads one flat object strictly: an input that stands twice is an error, since nobody knows
// which one was meant.
func readCase(line []byte) (name string, inputs map[string]any, err error) {
	dec := json.NewDecoder(bytes.NewReader(line))
	dec.UseNumber()
	if open, err := dec.Token(); err != nil || open != json.Delim('{') {
		return "", nil, errors.New("the line is no JSON object")
	}
	inputs = map[string]any{}
	for dec.More() {
		token, err := dec.Token()
		if err != nil {
			return "", nil, fmt.Errorf("the line is no JSON object: %w", err)
		}
		key, _ := token.(string) // keys of an object are strings
		var value any
		if err := dec.Decode(&value); err != nil {
			return "", nil, fmt.Errorf("the value of %.60q is no JSON: %w", key, err)
		}
		if _, twice := inputs[key]; twice {
			return "", nil, fmt.Errorf("%.60q stands twice", key)
		}
		inputs[key] = value
	}
	if _, err := dec.Token(); err != nil {
		return "", nil, errors.New("the line's JSON object has no end")
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return "", nil, errors.New("the line goes on after its JSON object")
	}
	name, ok := inputs["quantity"].(string)
	if !ok {
		return "", nil, errors.New(`the case has no text under "quantity"`)
	}
	delete(inputs, "quantity")
	return name, inputs, nil
}
