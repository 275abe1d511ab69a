package system_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"
)

// caller is a script that uses the API as one person.
type caller struct {
	t       *testing.T
	address string
	token   string
	client  *http.Client // nil knows no CA but the system's
	second  object       // what a second person types; nil where there is none
}

// object is a JSON answer.
type object map[string]any

func (o object) str(path string) string {
	v, _ := o.at(path).(string)
	return v
}

func (o object) num(path string) float64 {
	v, _ := o.at(path).(float64)
	return v
}

func (o object) list(path string) []object {
	raw, _ := o.at(path).([]any)
	list := make([]object, 0, len(raw))
	for _, v := range raw {
		if m, ok := v.(map[string]any); ok {
			list = append(list, m)
		}
	}
	return list
}

func (o object) at(path string) any {
	var v any = map[string]any(o)
	for key := range strings.SplitSeq(path, ".") {
		m, ok := v.(map[string]any)
		if !ok {
			return nil
		}
		v = m[key]
	}
	return v
}

func signIn(t *testing.T, address, name, password string) *caller {
	t.Helper()
	return signInBy(t, nil, address, name, password)
}

func signInBy(t *testing.T, client *http.Client, address, name, password string) *caller {
	t.Helper()
	c := &caller{t: t, address: address, client: client}
	c.token = c.post("/sessions", object{"sign_in": name, "password": password, "kind": "script"}).str("token")
	if c.token == "" {
		t.Fatal("signed in without a token")
	}
	return c
}

// try sends a request and returns status and answer, whatever they are.
func (c *caller) try(method, path string, body any, contentType string) (int, []byte, error) {
	var reader io.Reader
	switch b := body.(type) {
	case nil:
	case []byte:
		reader = bytes.NewReader(b)
	default:
		data, err := json.Marshal(b)
		if err != nil {
			return 0, nil, err
		}
		reader = bytes.NewReader(data)
	}
	req, err := http.NewRequestWithContext(c.t.Context(), method, c.address+"/api/v1"+path, reader)
	if err != nil {
		return 0, nil, err
	}
	if body != nil {
		req.Header.Set("Content-Type", contentType)
	}
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	client := http.DefaultClient
	if c.client != nil {
		client = c.client
	}
	res, err := client.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	return res.StatusCode, data, err
}

// call sends a request and demands success.
func (c *caller) call(method, path string, body any) object {
	c.t.Helper()
	status, data, err := c.try(method, path, body, "application/json")
	if err != nil || status >= 300 {
		c.t.Fatalf("%s %s: %d %v\n%s", method, path, status, err, data)
	}
	var o object
	if len(data) > 0 && data[0] == '{' {
		if err := json.Unmarshal(data, &o); err != nil {
			c.t.Fatalf("%s %s: %v\n%s", method, path, err, data)
		}
	}
	return o
}

func (c *caller) get(path string) object            { c.t.Helper(); return c.call("GET", path, nil) }
func (c *caller) post(path string, body any) object { c.t.Helper(); return c.call("POST", path, body) }
func (c *caller) put(path string, body any) object  { c.t.Helper(); return c.call("PUT", path, body) }

// refused sends a request and demands that it is refused with this status, saying what and next.
func (c *caller) refused(method, path string, body any, want int) object {
	c.t.Helper()
	status, data, err := c.try(method, path, body, "application/json")
	if err != nil || status != want {
		c.t.Fatalf("%s %s: %d %v, want %d\n%s", method, path, status, err, want, data)
	}
	var o object
	if err := json.Unmarshal(data, &o); err != nil {
		c.t.Fatal(err)
	}
	return o
}

// handIn uploads a drawing.
func (c *caller) handIn(name string, data []byte) object {
	c.t.Helper()
	status, answer, err := c.try("POST", "/drawings?name="+name, data, "image/svg+xml")
	if err != nil || status >= 300 {
		c.t.Fatalf("hand in %s: %d %v\n%s", name, status, err, answer)
	}
	var o object
	if err := json.Unmarshal(answer, &o); err != nil {
		c.t.Fatal(err)
	}
	return o
}

// waits reads a path until the condition holds.
func (c *caller) waits(path, what string, limit time.Duration, holds func(object) bool) object {
	c.t.Helper()
	deadline := time.Now().Add(limit)
	var last object
	for time.Now().Before(deadline) {
		if last = c.get(path); holds(last) {
			return last
		}
		// Nothing in the test's reach signals what happens in another process.
		time.Sleep(50 * time.Millisecond)
	}
	text, _ := json.MarshalIndent(last, "", " ")
	c.t.Fatalf("waited %s for %s at %s:\n%s", limit, what, path, text)
	return nil
}

func (c *caller) waitsForPhase(run, phase string, limit time.Duration) object {
	c.t.Helper()
	return c.waits("/runs/"+run, "phase "+phase, limit, func(o object) bool { return o.str("phase") == phase })
}

func at(list []object, key, value string) object {
	for _, o := range list {
		if o.str(key) == value {
			return o
		}
	}
	panic(fmt.Sprintf("nothing with %s %s in %v", key, value, list))
}
