package api

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"golang.org/x/mod/sumdb/tlog"

	"kerfgate/api/enrol"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/deploy/browsertest"
)

// kept is a station's browser at a server that can be exchanged behind its address.
type kept struct {
	t      *testing.T
	serves atomic.Pointer[Server]
	eval   func(script string) string // JSON of what the script gives; promises are awaited
}

func (k *kept) server(e *dbtest.Env) {
	k.t.Helper()
	s, err := New(Config{Store: e.Store, Floor: &floorMan{}, Site: dbtest.Site, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
		Trust: enrol.Trust{PermitKey: e.PermitKey, LogKey: e.LogKey}})
	if err != nil {
		k.t.Fatal(err)
	}
	k.serves.Store(s)
}

func (k *kept) str(script string) string {
	k.t.Helper()
	var text string
	if err := json.Unmarshal([]byte(k.eval(script)), &text); err != nil {
		k.t.Fatalf("%s: %v", script, err)
	}
	return text
}

// size is that of the head that the station keeps after it looked once more, and why it is in doubt.
func (k *kept) looks() (size string, doubt string) {
	k.t.Helper()
	doubt = k.str(`witness.watch().then(() => witness.doubt())`)
	return k.str(`String(witness.kept()?.size)`), doubt
}

func openKept(t *testing.T, e *dbtest.Env, machine string) *kept {
	t.Helper()
	k := &kept{t: t}
	k.server(e)
	address := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { k.serves.Load().Handler().ServeHTTP(w, r) }))
	t.Cleanup(func() { address.CloseClientConnections(); address.Close() })
	ctx := browsertest.Open(t, 1024, 768)
	k.eval = func(script string) string {
		t.Helper()
		out, err := chromedp.Run(ctx, chromedp.Evaluate[json.RawMessage](`Promise.resolve(`+script+`).then((v) => v)`,
			func(p *runtime.EvaluateParams) { p.AwaitPromise = new(true) }))
		if err != nil {
			t.Fatalf("%s: %v", script, err)
		}
		return string(out)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(address.URL+"/station/"+machine)); err != nil {
		t.Fatal(err)
	}
	return k
}

// A station in a real browser keeps the newest head, over reloads too, and refuses a server that was put
// back to an older log, whether that grew on otherwise since or not, one that another key signs for, and
// one whose log was cut under another name. It believes the first one again.
func TestStationRefusesARestoredLog(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	yesterday := w.Backup(t)
	grow := func(e *dbtest.Env, who db.Actor, n int) {
		for range n {
			if _, err := e.OpenSession(t.Context(), who.Person, db.SessionScript, []byte(fmt.Sprintf("%032d", time.Now().UnixNano())), time.Hour); err != nil {
				t.Fatal(err)
			}
		}
	}
	grow(w.Env, w.Member, 3)
	k := openKept(t, w.Env, w.Machine.ID.String())
	size := func() string {
		n, err := w.LogSize(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(n)
	}
	believes := func(when string) {
		t.Helper()
		if got, doubt := k.looks(); got != size() || doubt != "" {
			t.Fatalf("%s: keeps %s, want %s; doubt %q", when, got, size(), doubt)
		}
	}
	believes("the first time")
	grow(w.Env, w.Member, 5)
	believes("grown by five")
	honest := size()
	for _, lie := range []struct {
		name string
		want string
		make func() *dbtest.Env
	}{
		{"shorter", "entries, and had " + honest, func() *dbtest.Env { return yesterday }},
		{"grown on otherwise", "cannot prove", func() *dbtest.Env { grow(yesterday, w.Member, 12); return yesterday }},
		{"by another key", "not signed", func() *dbtest.Env {
			other := dbtest.NewWorkshop(t)
			grow(other.Env, other.Member, 30)
			return other.Env
		}},
	} {
		k.server(lie.make())
		if got, doubt := k.looks(); got != honest || !strings.Contains(doubt, lie.want) {
			t.Errorf("%s: keeps %s, doubt %q", lie.name, got, doubt)
		}
		if said := k.str(`document.getElementById("doubt").innerText`); !strings.Contains(said, "Start nothing") {
			t.Errorf("%s: the page says %q", lie.name, said)
		}
		// Nothing is sent from here but a stop.
		sent := k.str(`(() => { const f = document.createElement("form"); f.addEventListener("submit", (e) => { f.dataset.sent = "yes"; e.preventDefault(); });
			const b = document.createElement("button"); f.append(b); document.body.append(f); b.click(); f.requestSubmit();
			const stop = document.querySelector("form.stop"); let pressed = "no"; stop.querySelector("#stop").addEventListener("click", () => { pressed = "yes"; }); stop.querySelector("#stop").click();
			return (f.dataset.sent || "held") + " " + pressed; })()`)
		if sent != "held yes" {
			t.Errorf("%s: a form is %s (want held yes)", lie.name, sent)
		}
	}
	k.server(w.Env)
	believes("the honest server again")
}

// The station's own arithmetic against the published eight-leaf tree of transparency-dev/merkle
// (testonly/constants.go, its roots by size), whose proofs have the shape of RFC 6962's worked example
// (2.1.3): every pair of sizes is proven, and with any hash altered, left out or added it is not.
func TestWitnessVectors(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	k := openKept(t, w.Env, w.Machine.ID.String())
	leaves := []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	roots := []string{
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d", "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77", "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4", "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c", "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(at []int64) ([]tlog.Hash, error) {
		out := make([]tlog.Hash, len(at))
		for i, n := range at {
			out[i] = stored[n]
		}
		return out, nil
	})
	for i, leaf := range leaves {
		data, err := hex.DecodeString(leaf)
		if err != nil {
			t.Fatal(err)
		}
		hashes, err := tlog.StoredHashes(int64(i), data, reader)
		if err != nil {
			t.Fatal(err)
		}
		stored = append(stored, hashes...)
	}
	list := func(hashes []tlog.Hash) string {
		text := make([]string, len(hashes))
		for i, h := range hashes {
			text[i] = `witness.bytes("` + h.String() + `")`
		}
		return "[" + strings.Join(text, ",") + "]"
	}
	rootOf := func(size int64) tlog.Hash {
		raw, err := hex.DecodeString(roots[size-1])
		if err != nil {
			t.Fatal(err)
		}
		return tlog.Hash(raw)
	}
	for second := int64(1); second <= 8; second++ {
		for first := int64(1); first <= second; first++ {
			proof, err := tlog.ProveTree(second, first, reader)
			if err != nil {
				t.Fatal(err)
			}
			ask := func(first, second int64, a, b tlog.Hash, proof []tlog.Hash) string {
				return k.eval(fmt.Sprintf(`witness.consistent(%d, %d, %s, %s[0], %s[0])`, first, second, list(proof), list([]tlog.Hash{a}), list([]tlog.Hash{b})))
			}
			a, b := rootOf(first), rootOf(second)
			if got := ask(first, second, a, b, proof); got != "true" {
				t.Errorf("%d to %d: %s", first, second, got)
			}
			bad := map[string]string{"a hash more": ask(first, second, a, b, append(slices.Clone(proof), a))}
			if first < second {
				bad["turned around"] = ask(second, first, b, a, proof)
				bad["first root"] = ask(first, second, tlog.Hash{1}, b, proof)
				bad["second root"] = ask(first, second, a, tlog.Hash{1}, proof)
				bad["last hash left out"] = ask(first, second, a, b, proof[:len(proof)-1])
			}
			for i := range proof {
				altered := slices.Clone(proof)
				altered[i][31] ^= 1
				bad[fmt.Sprint("hash ", i, " altered")] = ask(first, second, a, b, altered)
			}
			for what, got := range bad {
				if got != "false" {
					t.Errorf("%d to %d, %s: %s", first, second, what, got)
				}
			}
		}
	}
}
