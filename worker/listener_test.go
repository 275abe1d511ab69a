package worker

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/queue/broker"
)

const stationOrigin = "https://garden.example"

func (s *shop) calls(method, path, origin, body string) *httptest.ResponseRecorder {
	s.t.Helper()
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	if origin != "" {
		r.Header.Set("Origin", origin)
	}
	rec := httptest.NewRecorder()
	s.w.Handler().ServeHTTP(rec, r)
	return rec
}

// I5, I9, S31: the listener stops without sign-in or body, takes taps, tells status, and lets only
// the one origin read its answers.
func TestI5_Listener(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t)
		s.tweak = func(c *Config) { c.Origin = stationOrigin }
		s.opens()
		run := s.runID(1)
		s.starts(run)
		time.Sleep(3 * time.Second)

		var reading broker.Reading
		rec := s.calls("GET", "/status", stationOrigin, "")
		if err := json.Unmarshal(rec.Body.Bytes(), &reading); err != nil || reading.Run != run || reading.Phase != "running" ||
			!reading.ToolOn || reading.AttendanceS < 70 || reading.LeftMS < 1 || reading.TotalMS != 10_000 {
			t.Fatalf("status %+v, %v", reading, err)
		}
		if got := rec.Header().Get("Access-Control-Allow-Origin"); got != stationOrigin {
			t.Fatalf("allowed origin %q", got)
		}
		for _, origin := range []string{"", "https://other.example", "null", stationOrigin + ".other.example"} {
			rec := s.calls("GET", "/status", origin, "")
			if got := rec.Header().Get("Access-Control-Allow-Origin"); got != "" {
				t.Fatalf("origin %q is answered %q", origin, got)
			}
			if origin == "" {
				continue
			}
			token := fmt.Sprintf(`{"token":%q}`, string(s.token))
			if tap := s.calls("POST", "/attend", origin, token); rec.Code != 403 || tap.Code != 403 || s.calls("OPTIONS", "/attend", origin, "").Code != 403 {
				t.Fatalf("origin %q: status %d, tap %d", origin, rec.Code, tap.Code)
			}
		}
		token := fmt.Sprintf(`{"token":%q}`, string(s.token))
		if rec := s.calls("POST", "/attend", stationOrigin, token); rec.Code != 200 || !strings.Contains(rec.Body.String(), `"attendance_s":75`) {
			t.Fatalf("tap: %d %s", rec.Code, rec.Body)
		}
		for body, want := range map[string]int{`{"token":"00"}`: 403, `{"token":"zz"}`: 403, `{`: 400, `{"token":"00","resume":true}`: 400,
			`{"token":"` + strings.Repeat("0", 5000) + `"}`: 400} {
			if rec := s.calls("POST", "/attend", stationOrigin, body); rec.Code != want {
				t.Fatalf("tap %.40s: %d, want %d", body, rec.Code, want)
			}
		}
		rec = s.calls("POST", "/stop", "", "")
		var stopped stopAnswer
		if err := json.Unmarshal(rec.Body.Bytes(), &stopped); err != nil || rec.Code != 200 || stopped.OffSent.IsZero() || stopped.Problem != "" {
			t.Fatalf("stop: %d %s", rec.Code, rec.Body)
		}
		if !s.fake().isStopped() || s.fake().isOn() {
			t.Fatal("off was not sent before the answer")
		}
		time.Sleep(time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportStopped, phraseStop)
		s.closes()
	})
}

// S30: nothing else is there, and nothing that is there starts or resumes.
func TestS30_ListenerKnowsNothingElse(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.starts(run)
		s.w.Pause()
		synctest.Wait()
		moves := s.fake().moved()
		for _, path := range []string{"/", "/start", "/resume", "/go", "/permit", "/pause", "/stop/", "/attend/x", "/status?x=../resume", "//stop"} {
			for _, method := range []string{"GET", "POST", "PUT", "DELETE", "PATCH", "HEAD"} {
				if method == "GET" && strings.HasPrefix(path, "/status?") {
					continue
				}
				if rec := s.calls(method, path, "", "{}"); rec.Code != http.StatusNotFound {
					t.Errorf("%s %s: %d", method, path, rec.Code)
				}
			}
		}
		for _, method := range []string{"GET", "PUT", "DELETE", "HEAD"} {
			if rec := s.calls(method, "/stop", "", ""); rec.Code != http.StatusNotFound {
				t.Errorf("%s /stop: %d", method, rec.Code)
			}
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if s.fake().moved() != moves {
			t.Fatal("the listener resumed a run")
		}
		if _, ok := s.find(run, broker.ReportStopped); ok {
			t.Fatal("a GET stopped a run")
		}
	})
}

// I5, F13: over a real socket and in real time, with neither server nor broker, a stop is answered
// within 250 ms, also while requests without end and slow ones are open.
func TestF13_StopOverTheNetwork(t *testing.T) {
	s := newShop(t)
	address := make(chan string, 1)
	s.tweak = func(c *Config) {
		c.serve = nil
		c.Listen = "127.0.0.1:0"
		c.Listening = func(a string) { address <- a }
	}
	s.linkDown = true
	s.startsReal(t)
	base := "http://" + <-address
	client := &http.Client{Timeout: 5 * time.Second}
	defer client.CloseIdleConnections()
	for range 20 {
		reader, writer := io.Pipe()
		defer writer.Close()
		go func() {
			if resp, err := client.Post(base+"/attend", "application/json", reader); err == nil {
				_ = resp.Body.Close()
			}
		}()
	}
	for range 5 {
		began := time.Now()
		resp, err := client.Post(base+"/stop", "", nil)
		if err != nil {
			t.Fatal(err)
		}
		var a stopAnswer
		if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if took := time.Since(began); took > 250*time.Millisecond || a.MS > 250 {
			t.Fatalf("answered after %s, off after %d ms", took, a.MS)
		}
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
}

// S25, S31: without a certificate the listener opens on loopback alone.
func TestS25_NoPlainListenerOffLoopback(t *testing.T) {
	t.Parallel()
	for _, address := range []string{"0.0.0.0:0", "[::]:0"} {
		w := &Worker{cfg: Config{Listen: address}}
		if l, err := w.open(t.Context()); !errors.Is(err, errPlain) {
			if err == nil {
				err = l.Close()
			}
			t.Errorf("%s: %v", address, err)
		}
	}
	w := &Worker{cfg: Config{Listen: "127.0.0.1:0"}}
	l, err := w.open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

// S30: whatever bytes come in, no run starts and none goes on: a paused machine stays where it is.
func FuzzS30_Listener(f *testing.F) {
	for _, seed := range []string{"GET /status HTTP/1.1\r\nHost: x\r\n\r\n", "POST /resume HTTP/1.1\r\nHost: x\r\nContent-Length: 2\r\n\r\n{}",
		"POST /attend HTTP/1.1\r\nHost: x\r\nContent-Length: 12\r\n\r\n{\"token\":\"\"}", "POST /go HTTP/1.1\r\nHost: x\r\n\r\n", "\x16\x03\x01\x00", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		r, err := http.ReadRequest(bufio.NewReader(bytes.NewReader(sent)))
		if err != nil {
			return // the HTTP library's own business
		}
		bubble(t, func(t *testing.T, s *shop) {
			s.starts(s.runID(1))
			s.w.Pause()
			synctest.Wait()
			moves := s.fake().moved()
			rec := httptest.NewRecorder()
			s.w.Handler().ServeHTTP(rec, r)
			time.Sleep(time.Second)
			synctest.Wait()
			if s.fake().moved() != moves || s.fake().isOn() {
				t.Fatalf("%q moved the machine", sent)
			}
		})
	})
}
