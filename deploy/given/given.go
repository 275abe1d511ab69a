// Package given reads what a command was given on its command line: files within a bound, JSON
// strictly, and the demo's examples by name. What is wrong with the call is a *UsageError.
package given

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
)

// Exit codes of commands.
const (
	ExitUsage   = 2
	ExitRefused = 3
)

// UsageError says what is wrong with how the command was called, and what to do.
type UsageError struct{ What, Next string }

// Error gives both, the hint on a line of its own.
func (e *UsageError) Error() string { return e.What + "\n  next: " + e.Next }

// ExitCode is ExitUsage.
func (e *UsageError) ExitCode() int { return ExitUsage }

// ExampleName is the name under which an example is given: "Bay 1" as "bay-1".
func ExampleName(words string) string { return strings.ReplaceAll(strings.ToLower(words), " ", "-") }

// IsExample says whether a name is an example's; one with a dot or a slash in it is a file's.
func IsExample(name string) bool { return !strings.ContainsAny(name, `./\`) }

// NoExample is the error for a name that none of the examples has. what is what a file would hold.
func NoExample(name, flag, what string, examples []string) error {
	return &UsageError{What: fmt.Sprintf("there is no example %.60q for --%s", name, flag),
		Next: fmt.Sprintf("name %s as a JSON file (its name has a dot in it), or one of: %s", what, strings.Join(examples, ", "))}
}

// Bounded reads a file of at most limit bytes. what names it in errors.
func Bounded(path, what string, limit int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, &UsageError{What: fmt.Sprintf("the %s cannot be read: %v", what, err), Next: "name a file that exists and that you may read"}
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, &UsageError{What: fmt.Sprintf("the %s %s is a folder", what, path), Next: "name a file"}
	}
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, &UsageError{What: fmt.Sprintf("the %s cannot be read: %v", what, err), Next: "name a file that may be read"}
	}
	if int64(len(data)) > limit {
		return nil, &UsageError{What: fmt.Sprintf("the %s %s is larger than %d KiB", what, path, limit>>10), Next: "name a smaller file"}
	}
	return data, nil
}

// mostSetUp is the largest file of a set-up in bytes.
const mostSetUp = 1 << 20

// JSON reads one value strictly: a field that is not known is an error, not a surprise later. next
// tells where the fields are named.
func JSON(path, flag, next string, into any) error {
	data, err := Bounded(path, flag+" file", mostSetUp)
	var wrong *UsageError
	if errors.As(err, &wrong) {
		wrong.Next += "; " + next
	}
	if err != nil {
		return err
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		return &UsageError{What: fmt.Sprintf("%s is not what --%s takes: %v", path, flag, err), Next: "correct it; " + next}
	}
	if dec.More() {
		return &UsageError{What: fmt.Sprintf("%s goes on after its first JSON value", path), Next: "leave one value in it"}
	}
	return nil
}
