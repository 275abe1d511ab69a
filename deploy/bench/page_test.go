package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"kerfgate/db/dbtest"
	"kerfgate/deploy/browsertest"
	"kerfgate/deploy/demo"
)

// BenchmarkPages: what each kind of page of the demo weighs over the wire on a first visit, and when a person can use it,
// in a real Chromium whose processor is slowed down four times, as a tablet's is. Floor: the server's icon, which is
// a page of one file.
func BenchmarkPages(b *testing.B) {
	for b.Loop() {
		weigh(b)
	}
}

// interactive waits until no task has taken 50 ms or more for a second after the page was loaded, and gives the end of
// the last such task, or of the load event, in ms since the visit began (Long Tasks API, W3C).
const interactive = `new Promise((done) => {
	let last = 0;
	new PerformanceObserver((list) => { for (const e of list.getEntries()) last = Math.max(last, e.startTime + e.duration); }).observe({type: "longtask", buffered: true});
	const look = () => {
		const loaded = performance.getEntriesByType("navigation")[0].loadEventEnd;
		if (loaded > 0 && performance.now() - Math.max(loaded, last) > 1000) done(Math.max(loaded, last));
		else setTimeout(look, 100);
	};
	look();
})`

// pageBench is one browser that counts what it is sent.
type pageBench struct {
	b       *testing.B
	ctx     context.Context
	address string

	mu       sync.Mutex
	pictures map[network.RequestID]bool
	bytes    float64 // since the visit began, headers too
	drawn    float64 // of it pictures
}

func weigh(b *testing.B) {
	dir := filepath.Join(dbtest.Folder(b), "data")
	p := &pageBench{b: b, address: process(b, program(b), "ready ", "try", "--data", dir, "--listen", "127.0.0.1:0").Address(), ctx: browsertest.Open(b, 1024, 768), pictures: map[network.RequestID]bool{}}
	if err := chromedp.Listen(p.ctx, p.count); err != nil {
		b.Fatal(err)
	}
	_, err := chromedp.Call(p.ctx, network.Enable, network.EnableParams{})
	p.must(err)
	_, err = chromedp.Call(p.ctx, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
	p.must(err)
	_, err = chromedp.Call(p.ctx, network.SetBypassServiceWorker, network.SetBypassServiceWorkerParams{Bypass: true}) // it would fetch unseen
	p.must(err)
	_, err = chromedp.Call(p.ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
	p.must(err)

	t := newTable()
	t.line("load before", load())
	floor := p.visits("/static/icon.svg", 5)
	t.line("floor: the server's icon", floor.String())
	var ratios []float64
	var heaviest, slowest visit
	seen, measured := map[string]bool{}, map[string]bool{}
	for _, who := range []string{"", "thyme", "rowan", "juniper", "sage"} {
		p.signIn(dir, who)
		queue := []string{"/", "/sign-in", "/incidents/new", "/station-enrol", "/site-ca"}
		for len(queue) > 0 {
			path := queue[0]
			queue = queue[1:]
			kind := idInPath.ReplaceAllString(path, "/…/")
			if seen[who+kind] || strings.HasPrefix(path, "/static/") || strings.HasPrefix(path, "/api/") || path == "/site-ca/certificate" {
				continue
			}
			seen[who+kind] = true
			if !measured[kind] {
				measured[kind] = true
				v := p.visits(path, 3)
				t.line(kind, v.String(), ratio(v.ms/floor.ms)+" of the floor")
				ratios = append(ratios, v.ms/floor.ms)
				if v.bytes-v.drawn > heaviest.bytes-heaviest.drawn {
					heaviest, heaviest.kind = v, kind
				}
				if v.ms > slowest.ms {
					slowest, slowest.kind = v, kind
				}
			} else {
				p.visit(path)
			}
			queue = append(queue, p.links()...)
		}
	}
	t.line("middle page", ratio(median(ratios[:len(ratios)-1+len(ratios)%2]))+" of the floor")
	t.line("heaviest page without its pictures", heaviest.kind, heaviest.String(), "aim ≤ 150 kB")
	t.line("slowest page", slowest.kind, slowest.String())
	t.line("load after", load())
}

var idInPath = regexp.MustCompile(`/([0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}|[0-9a-f]{64}|[0-9]+)(/|$)`)

// visit is one look at a page.
type visit struct {
	kind         string
	bytes, drawn float64
	ms           float64
}

func (v visit) String() string {
	return fmt.Sprintf("%6.1f kB and %5.1f kB of pictures   interactive after %5.0f ms", (v.bytes-v.drawn)/1000, v.drawn/1000, v.ms)
}

func (p *pageBench) must(err error) {
	p.b.Helper()
	if err != nil {
		p.b.Fatal(err)
	}
}

func (p *pageBench) count(ev any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := ev.(type) {
	case *network.EventResponseReceived:
		p.pictures[e.RequestID] = e.Type == network.ResourceTypeImage
	case *network.EventLoadingFinished:
		p.bytes += e.EncodedDataLength
		if p.pictures[e.RequestID] {
			p.drawn += e.EncodedDataLength
		}
	}
}

func (p *pageBench) visit(path string) visit {
	p.b.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, time.Minute)
	defer cancel()
	p.mu.Lock()
	p.bytes, p.drawn = 0, 0
	p.mu.Unlock()
	p.must(chromedp.Do(ctx, chromedp.Navigate(p.address+path)))
	ms, err := chromedp.Run(ctx, chromedp.Evaluate[float64](interactive, chromedp.EvalAwaitPromise))
	p.must(err)
	p.mu.Lock()
	defer p.mu.Unlock()
	return visit{bytes: p.bytes, drawn: p.drawn, ms: ms}
}

// visits is the middle one of so many.
func (p *pageBench) visits(path string, n int) visit {
	p.b.Helper()
	var all []visit
	for range n {
		all = append(all, p.visit(path))
	}
	slices.SortFunc(all, func(a, b visit) int { return int(a.ms - b.ms) })
	return all[n/2]
}

func (p *pageBench) links() (paths []string) {
	p.b.Helper()
	text, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](`JSON.stringify([...document.querySelectorAll("a[href]")].filter((a) => !a.hasAttribute("download") && a.origin === location.origin).map((a) => a.pathname))`))
	p.must(err)
	p.must(json.Unmarshal([]byte(text), &paths))
	return paths
}

// signIn signs a demo person in; nobody without a name.
func (p *pageBench) signIn(dir, name string) {
	p.b.Helper()
	if name == "" {
		return
	}
	people, err := demo.SignIns(dir)
	p.must(err)
	for _, who := range people {
		if who.Name != name {
			continue
		}
		p.visit("/sign-in")
		ctx, cancel := context.WithTimeout(p.ctx, time.Minute)
		defer cancel()
		p.must(chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS("#sign-in-name"), name), chromedp.SendKeys(chromedp.CSS("#password"), who.Password+"\r")))
		for {
			in, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`location.pathname !== "/sign-in" && document.readyState === "complete"`))
			if err == nil && in {
				return
			}
			if ctx.Err() != nil {
				p.b.Fatalf("%s is not signed in: %v", name, err)
			}
			time.Sleep(100 * time.Millisecond) // nothing tells when the next page is there
		}
	}
	p.b.Fatalf("no demo account %s", name)
}
