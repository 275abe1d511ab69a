package system_test

import (
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerfgate/db/dbtest"
)

// TestS26_SecretsStayWhereTheyAre: everything runs and logs all that it can; passwords, PINs, tokens, codes and keys
// that were used, right and wrong ones, stand in no line of the log and in no answer to somebody else, and whatever
// holds one in the data folder can be read by its owner alone.
func TestS26_SecretsStayWhereTheyAre(t *testing.T) {
	if testing.Short() {
		t.Skip("starts everything")
	}
	t.Setenv("KERFGATE_VERBOSE", "1") // not parallel: the program reads it from the environment
	h := startTry(t, filepath.Join(dbtest.Folder(t), "data"))
	secrets := map[string]string{"wrong password": "planted-wrong-password", "wrong PIN": "918273", "forged token": "planted-token-of-nobody-0123456789",
		"PIN": "604913", "name in a path": "planted-in-a-path"}
	var heard strings.Builder
	ask := func(method, path, token, body string) string {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, h.address+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		if body != "" {
			req.Header.Set("Content-Type", "application/json")
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		text, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	for _, name := range []string{"thyme", "sage"} {
		secrets["password of "+name] = h.password(t, name)
		var opened struct{ Token string }
		if err := json.Unmarshal([]byte(ask(http.MethodPost, "/api/v1/sessions", "", fmt.Sprintf(`{"sign_in":%q,"password":%q}`, name, h.password(t, name)))), &opened); err != nil || opened.Token == "" {
			t.Fatalf("%v %+v", err, opened)
		}
		secrets["token of "+name] = opened.Token
	}
	admin := secrets["token of sage"]
	heard.WriteString(ask(http.MethodPost, "/api/v1/sessions", "", `{"sign_in":"thyme","password":"planted-wrong-password"}`))
	heard.WriteString(ask(http.MethodPost, "/api/v1/sessions/pin", "", `{"sign_in":"thyme","pin":"918273"}`))
	heard.WriteString(ask(http.MethodGet, "/api/v1/me", "planted-token-of-nobody-0123456789", ""))
	heard.WriteString(ask(http.MethodPut, "/api/v1/me/pin", admin, fmt.Sprintf(`{"password":%q,"pin":"604913"}`, h.password(t, "sage"))))
	heard.WriteString(ask(http.MethodPut, "/api/v1/me/pin", admin, `{"password":"planted-wrong-password","pin":"604913","more":1}`))
	heard.WriteString(ask(http.MethodGet, "/join/planted-in-a-path", "", ""))
	heard.WriteString(ask(http.MethodGet, "/nowhere?token=planted-token-of-nobody-0123456789", "", ""))
	for _, path := range []string{"/api/v1/health", "/api/v1/people", "/api/v1/logbook?limit=100", "/api/v1/stations", "/people", "/logbook", "/me", "/api/v1/me/sessions", "/api/v1/me/passkeys", "/api/v1/site/health", "/metrics"} {
		heard.WriteString(ask(http.MethodGet, path, admin, ""))
	}
	var made struct{ Path string }
	if err := json.Unmarshal([]byte(ask(http.MethodPost, "/api/v1/invitations", admin, `{"name":"Fern","role":"member"}`)), &made); err != nil {
		t.Fatal(err)
	}
	secrets["invitation"] = strings.TrimPrefix(made.Path, "/join/")
	heard.WriteString(ask(http.MethodPost, "/api/v1/invitations/accept", "", fmt.Sprintf(`{"secret":%q,"sign_in":"thyme","new_password":"planted-wrong-password"}`, secrets["invitation"])))
	keys := 0
	if err := filepath.WalkDir(h.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !d.Type().IsRegular() || strings.Contains(path, "/postgres/") || strings.Contains(path, "/nats/") {
			return err
		}
		data, err := os.ReadFile(path)
		if err != nil || len(data) > 1<<20 {
			return err
		}
		secret := strings.HasPrefix(string(data), "PRIVATE+KEY+") || strings.Contains(string(data), "PRIVATE KEY") ||
			strings.HasPrefix(string(data), "SU") && len(strings.TrimSpace(string(data))) == 58 // a signed note's key, a TLS key, a broker's seed
		if secret {
			keys++
			secrets["key "+filepath.Base(path)] = strings.TrimSpace(strings.SplitN(string(data), "\n", 2)[0])
		}
		for _, name := range []string{"password of thyme", "password of sage"} {
			secret = secret || strings.Contains(string(data), secrets[name])
		}
		if info, err := d.Info(); err == nil && secret && info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s holds a secret and has mode %o", path, info.Mode().Perm())
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if keys < 3 {
		t.Errorf("%d keys were found; where do they lie?", keys)
	}
	h.Stop(t)
	log := h.log.String()
	if !strings.Contains(log, "wrong sign-in") || !strings.Contains(log, "level=DEBUG") {
		t.Errorf("the log tells too little to be searched: %d bytes", len(log))
	}
	for what, secret := range secrets {
		if len(secret) < 6 {
			t.Errorf("%s: %q", what, secret)
		}
		if strings.Contains(log, secret) {
			t.Errorf("the log tells the %s", what)
		}
		if strings.Contains(heard.String(), secret) && what != "name in a path" {
			t.Errorf("an answer tells the %s", what)
		}
	}
}
