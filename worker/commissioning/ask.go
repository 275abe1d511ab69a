package commissioning

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"kerfgate/plan/machine"
)

// Ask goes through the questions for a tool and fills the record. An empty answer leaves its line
// unmeasured; a faulty one is asked for again. Errors are those of reading, io.ErrUnexpectedEOF where
// the answers end too soon.
func Ask(r *Record, tool machine.Tool, in io.Reader, out io.Writer) error {
	lines := bufio.NewScanner(io.LimitReader(in, 1<<20))
	for _, q := range machine.Questions(tool.Kind) {
		if q.Key == machine.AskAnswered && len(r.AnsweredMS) > 0 { // measured here
			continue
		}
		for {
			if _, err := fmt.Fprintf(out, "\n%s\n%s\n%s> ", q.Text, q.Do, wanted(q)); err != nil {
				return err
			}
			if !lines.Scan() {
				if err := lines.Err(); err != nil {
					return err
				}
				return io.ErrUnexpectedEOF
			}
			if strings.TrimSpace(lines.Text()) == "" {
				break
			}
			numbers, words, err := q.Read(lines.Text())
			if err == nil {
				err = q.Take(&r.Measured, numbers, words)
			}
			if err == nil {
				break
			}
			if _, err := fmt.Fprintf(out, "%v\n", err); err != nil {
				return err
			}
		}
	}
	return nil
}

// wanted stands before the prompt.
func wanted(q machine.Question) string {
	switch {
	case q.Words:
		return strings.Join(q.Choices, ", ") + ", or in other words "
	case q.Tries == 0:
		return strings.Join(q.Choices, ", ") + " "
	}
	return q.Unit + " "
}
