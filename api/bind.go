package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"
)

// strictJSON writes and reads JSON; a field that the schema does not have is an error, so that
// nobody believes to have set a role or a state.
type strictJSON struct{}

// Serialize is echo's way to write.
func (j strictJSON) Serialize(c echo.Context, v any, _ string) error {
	data, err := j.bytes(v)
	if err != nil {
		return err
	}
	_, err = c.Response().Write(data)
	return err
}

// Deserialize is echo's way to read.
func (strictJSON) Deserialize(c echo.Context, v any) error {
	dec := json.NewDecoder(c.Request().Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return readProblem(err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		if err != nil {
			return readProblem(err)
		}
		return malformed("more than one JSON value")
	}
	return nil
}

func (strictJSON) bytes(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(true) // a JSON answer read as HTML stays harmless
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func readProblem(err error) error {
	var large *http.MaxBytesError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &large):
		return err
	case errors.Is(err, io.EOF):
		return malformed("the body is empty")
	case errors.Is(err, io.ErrUnexpectedEOF):
		return malformed("the JSON ends too early")
	case errors.As(err, &kind):
		return malformed(fmt.Sprintf("field %q: want %s, got %s", kind.Field, kind.Type, kind.Value))
	}
	return malformed(strings.TrimPrefix(err.Error(), "json: "))
}

// strictBinder binds a body and nothing else: parameters have generated binders of their own.
type strictBinder struct{}

// Bind reads a JSON body.
func (strictBinder) Bind(v any, c echo.Context) error {
	if !isJSON(c.Request().Header.Get("Content-Type")) {
		return errMediaType
	}
	return strictJSON{}.Deserialize(c, v)
}
