package api

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"kerfgate/db/logbook"
)

// contract is openapi.yaml as these tests hold the server to it: every request and answer that passes
// through ask or a contractClient, read by a library that shares nothing with the generator.
type contract struct {
	router routers.Router
	doc    *openapi3.T

	mu   sync.Mutex
	seen map[string]map[int]bool // statuses by operation
}

// Statuses that any route may answer with and that the description leaves to its default answer: the
// request cannot be read, the server is at fault or has its hands full.
var undeclared = []int{http.StatusBadRequest, http.StatusInternalServerError, http.StatusServiceUnavailable}

var openContract = sync.OnceValues(func() (*contract, error) {
	data, err := os.ReadFile("openapi.yaml")
	if err != nil {
		return nil, err
	}
	// The library checks no ids unless told how they look (RFC 9562 §4).
	openapi3.DefineStringFormatValidator("uuid", openapi3.NewRegexpFormatValidator(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`))
	for _, kind := range []string{"image/svg+xml", "image/png", "text/event-stream"} {
		openapi3filter.RegisterBodyDecoder(kind, openapi3filter.FileBodyDecoder)
	}
	doc, err := openapi3.NewLoader().LoadFromData(data)
	if err != nil {
		return nil, err
	}
	// A field that the description does not know is a broken promise, too.
	for _, schema := range doc.Components.Schemas {
		if s := schema.Value; len(s.Properties) > 0 && s.AdditionalProperties.Has == nil && s.AdditionalProperties.Schema == nil {
			no := false
			s.AdditionalProperties.Has = &no
		}
	}
	router, err := legacy.NewRouter(doc)
	if err != nil {
		return nil, err
	}
	return &contract{router: router, doc: doc, seen: map[string]map[int]bool{}}, nil
})

// hold checks one answer against the description, and the request as well where it was served: what
// the description forbids must not be taken. Pages and unknown routes are not in it.
func (c *contract) hold(ctx context.Context, method, target string, asked http.Header, body []byte, status int, h http.Header, answer []byte) error {
	at, err := url.Parse(target)
	if err != nil || !strings.HasPrefix(at.Path, base+"/") {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, method, target, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header = asked.Clone()
	route, params, err := c.router.FindRoute(req)
	if err != nil {
		if status != http.StatusNotFound && status != http.StatusMethodNotAllowed {
			return fmt.Errorf("%s %s is in no description and answers %d", method, at.Path, status)
		}
		return nil
	}
	c.mark(route.Operation.OperationID, status)
	asking := &openapi3filter.RequestValidationInput{Request: req, PathParams: params, QueryParams: at.Query(), Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, RejectWhenRequestBodyNotSpecified: false}}
	if status < 300 {
		if err := openapi3filter.ValidateRequest(ctx, asking); err != nil {
			return fmt.Errorf("served, though the description forbids it: %s %s: %w", method, target, err)
		}
	}
	if status >= 300 && route.Operation.Responses.Status(status) == nil && !slices.Contains(undeclared, status) {
		return fmt.Errorf("%s (%s %s) answers %d, which the description does not declare", route.Operation.OperationID, method, at.Path, status)
	}
	told := &openapi3filter.ResponseValidationInput{RequestValidationInput: asking, Status: status, Header: h,
		Options: &openapi3filter.Options{IncludeResponseStatus: true, ExcludeResponseBody: answer == nil}}
	told.SetBodyBytes(answer)
	if err := openapi3filter.ValidateResponse(ctx, told); err != nil {
		return fmt.Errorf("%s %s answers %d against the description: %w", method, target, status, err)
	}
	return nil
}

func (c *contract) mark(operation string, status int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.seen[operation] == nil {
		c.seen[operation] = map[int]bool{}
	}
	c.seen[operation][status] = true
}

// owed are the answers that no test of this package holds to the description yet: enrolment, revocation,
// pause and hand-over are tried over the store, the broker and the processes (db, deploy/serve), not over
// this server. The list may only become shorter: one that was seen has to leave it.
var owed = []string{
	"enrolWorker 201", "enrolWorker 422", "enrolWorker 429", "handOverRun 200", "handOverRun 422", "makeStationCode 422",
	"makeWorkerCode 201", "pauseRun 202", "pauseRun 422", "replaceWorkerKey 204", "replaceWorkerKey 404", "replaceWorkerKey 422",
	"replaceWorkerKey 429", "revokeWorker 204", "revokeWorker 422", "setPIN 429", "witnessLogbook 422",
}

// missing lists what the description declares and no test has seen, a success of every operation and
// each declared error, and what is owed no longer.
func (c *contract) missing() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []string
	for _, item := range c.doc.Paths.Map() {
		for _, op := range item.Operations() {
			for text := range op.Responses.Map() {
				status, err := strconv.Atoi(text)
				answer := op.OperationID + " " + text
				if err == nil && c.seen[op.OperationID][status] == slices.Contains(owed, answer) {
					out = append(out, answer)
				}
			}
		}
	}
	slices.Sort(out)
	return out
}

// event checks what stands in one event of the stream; the description gives each kind its schema.
func (c *contract) event(kind string, data any) error {
	if kind == "reset" {
		return nil
	}
	schema, ok := map[string]string{"entry": "EventEntry", "reading": "EventReading"}[kind]
	if !ok {
		return fmt.Errorf("no such event: %q", kind)
	}
	return c.doc.Components.Schemas[schema].Value.VisitJSON(data)
}

// promised are the words that no page and no answer may hold, whatever they say; laser safety is one word of
// another kind, and the logbook's kind worker.certified names a certificate.
var promised = regexp.MustCompile(`(?i)\b(?:safe|certified)\b`)

// promise finds such a word in what people or their programs read.
func promise(target, contentType string, answer []byte) string {
	if strings.HasPrefix(target, "/static/") || !(strings.HasPrefix(contentType, "text/html") || strings.Contains(contentType, "json")) {
		return ""
	}
	return string(promised.Find(bytes.ReplaceAll(answer, []byte(logbook.WorkerCertified), nil)))
}

// held checks one exchange and fails the test where it breaks the description.
func held(t *testing.T, method, target string, asked http.Header, body []byte, status int, h http.Header, answer []byte) {
	t.Helper()
	if found := promise(target, h.Get("Content-Type"), answer); found != "" {
		t.Errorf("%s %s answers with the word %q", method, target, found)
	}
	c, err := openContract()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.hold(t.Context(), method, target, asked, body, status, h, answer); err != nil {
		t.Error(err)
	}
}

// contractTransport holds what a real client sends and gets to the description; streams are judged by
// their head, their events by whoever reads them.
type contractTransport struct {
	t    *testing.T
	from http.RoundTripper
}

// RoundTrip sends the request on.
func (ct contractTransport) RoundTrip(req *http.Request) (*http.Response, error) {
	var body []byte
	if req.Body != nil {
		var err error
		if body, err = io.ReadAll(req.Body); err != nil {
			return nil, err
		}
		req = req.Clone(req.Context())
		req.Body = io.NopCloser(bytes.NewReader(body))
	}
	resp, err := ct.from.RoundTrip(req)
	if err != nil {
		return nil, err
	}
	var answer []byte
	if resp.Header.Get("Content-Type") != "text/event-stream" {
		answer, err = io.ReadAll(resp.Body)
		if err := errors.Join(err, resp.Body.Close()); err != nil {
			return nil, err
		}
		resp.Body = io.NopCloser(bytes.NewReader(answer))
	}
	held(ct.t, req.Method, req.URL.RequestURI(), req.Header, body, resp.StatusCode, resp.Header, answer)
	return resp, nil
}

// TestContract_Catches: an answer and a request that break the description are found.
func TestContract_Catches(t *testing.T) {
	t.Parallel()
	c, err := openContract()
	if err != nil {
		t.Fatal(err)
	}
	json := http.Header{"Content-Type": {"application/json"}}
	for name, x := range map[string]struct {
		method, path, body string
		status             int
		answer             string
	}{
		"a field is missing":   {http.MethodGet, "/health", "", 200, `{"status":"ok"}`},
		"a field nobody knows": {http.MethodGet, "/health", "", 200, `{"status":"ok","site":"garden","extra":1}`},
		"another type":         {http.MethodGet, "/health", "", 200, `{"status":1,"site":"garden"}`},
		"no id":                {http.MethodGet, "/board", "", 200, `{"lanes":[{"machine_id":"x","name":"","bay":"","tool":"","gate":[],"next":[]}]}`},
		"another success":      {http.MethodGet, "/health", "", 202, `{"status":"ok","site":"garden"}`},
		"another error":        {http.MethodGet, "/health", "", 418, `{}`},
		"a body too short":     {http.MethodPost, "/sessions", `{}`, 201, `{}`},
		"no route":             {http.MethodGet, "/nowhere", "", 200, `{}`},
	} {
		if err := c.hold(t.Context(), x.method, base+x.path, json, []byte(x.body), x.status, json, []byte(x.answer)); err == nil {
			t.Errorf("%s: not found", name)
		}
	}
	if err := c.hold(t.Context(), http.MethodGet, base+"/health", http.Header{}, nil, 200, json, []byte(`{"status":"ok","site":"garden"}`)); err != nil {
		t.Error(err)
	}
	for text, want := range map[string]string{`{"word":"this is Safe"}`: "Safe", "<p>a certified pair</p>": "certified", `{"kind":"worker.certified"}`: "", "in charge of laser safety": ""} {
		if found := promise(base+"/health", "application/json", []byte(text)); found != want {
			t.Errorf("%q: found %q", text, found)
		}
	}
	if err := c.event("entry", map[string]any{"index": 1.0, "kind": "run.moved"}); err == nil {
		t.Error("an event without its time is not found")
	}
}

// TestContract_Policy: the description and the matrix of rights know the same routes, and both say
// which of them need no sign-in and which take an Idempotency-Key.
func TestContract_Policy(t *testing.T) {
	t.Parallel()
	c, err := openContract()
	if err != nil {
		t.Fatal(err)
	}
	described := map[routeKey]*openapi3.Operation{}
	for path, item := range c.doc.Paths.Map() {
		echoed := base + strings.NewReplacer("{", ":", "}", "").Replace(path)
		for method, op := range item.Operations() {
			described[routeKey{method, echoed}] = op
		}
	}
	for _, r := range policy() {
		op := described[r.routeKey]
		if op == nil {
			t.Errorf("%s %s is not described", r.method, r.path)
			continue
		}
		delete(described, r.routeKey)
		if open := op.Security != nil && len(*op.Security) == 0; open != r.open() {
			t.Errorf("%s %s: described as open %v, is %v", r.method, r.path, open, r.open())
		}
		if key := op.Parameters.GetByInAndName("header", "Idempotency-Key") != nil; key != r.once {
			t.Errorf("%s %s: described with a key %v, takes one %v", r.method, r.path, key, r.once)
		}
		for status, want := range map[int]bool{http.StatusUnauthorized: !r.open(), http.StatusForbidden: !r.open() && !slices.Contains(r.roles, member)} {
			if want && op.Responses.Status(status) == nil {
				t.Errorf("%s %s does not declare %d", r.method, r.path, status)
			}
		}
	}
	for key := range maps.Keys(described) {
		t.Errorf("%s %s is described and not there", key.method, key.path)
	}
}
