package api

import (
	"net/http"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// TestS19_PreviewRunsNothing: a drawing full of what a browser would run is handed in by its form; its page
// draws what is cut and runs nothing, nor do the picture and the original when somebody opens them by
// themselves in the same browser, signed in.
func TestS19_PreviewRunsNothing(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	hostile := `<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="60mm" height="40mm" viewBox="0 0 60 40" onload="document.title='ran'">
		<script>document.title = "ran"; parent.document.title = "ran"</script>
		<style>@import url("/static/hostile.css"); rect { stroke: black; fill: none } body { display: none }</style>
		<foreignObject width="50" height="50"><body xmlns="http://www.w3.org/1999/xhtml" onload="document.title='ran'"><img src="x" onerror="document.title='ran'"/></body></foreignObject>
		<a xlink:href="javascript:document.title='ran'"><rect x="5" y="5" width="40" height="20" onclick="document.title='ran'"/></a>
		<animate attributeName="href" values="javascript:document.title='ran'"/>
		<g id="&lt;script&gt;document.title='ran'&lt;/script&gt;"><rect x="10" y="10" width="5" height="5"/></g></svg>`
	token := w.signedIn(t, w.Member)
	var d wire.Drawing
	w.as(t, token, http.MethodPost, "/drawings?name=%3Cscript%3Edocument.title=1%3C/script%3E.svg", hostile, http.StatusCreated, &d, "Content-Type", "image/svg+xml")
	var p wire.Plan
	w.as(t, token, http.MethodPost, "/plans", w.choice(d.ID), http.StatusOK, &p)

	b := w.openTab(t, w.Member)
	none := func(where string) {
		t.Helper()
		if title := b.value("document.title"); strings.Contains(title, "ran") {
			t.Errorf("%s: the drawing's script ran", where)
		}
	}
	b.visit("/hand-in?plan=" + p.Digest)
	b.waits(`document.querySelector("main img, main svg")`)
	none("hand in")
	if found := b.value(`[...document.querySelectorAll("main script, main foreignObject, main [onload], main [onclick], main [onerror], main style, main a[href^=javascript]")].map((e) => e.outerHTML).join()`); found != "" {
		t.Errorf("the page holds %s", found)
	}
	if asked := b.value(`performance.getEntriesByType("resource").map((r) => r.name).filter((n) => n.includes("hostile")).join()`); asked != "" {
		t.Errorf("the page asked for %s", asked)
	}
	picture := w.as(t, token, http.MethodGet, "/plans/"+p.Digest+"/picture.svg", "", http.StatusOK, nil)
	for _, word := range []string{"<script", "onload", "foreignObject", "@import", "javascript:", "<style"} {
		if strings.Contains(picture.Body.String(), word) {
			t.Errorf("the picture holds %s", word)
		}
	}
	b.visit(base + "/plans/" + p.Digest + "/picture.svg")
	b.waits(`document.documentElement.nodeName === "svg"`)
	none("the picture by itself")
	// The original is a download: the browser stays where it is.
	b.visit("/hand-in?plan=" + p.Digest)
	b.value(`location.href = "` + base + `/drawings/` + d.ID.String() + `/original"; ""`)
	b.waits(`document.readyState === "complete" && location.pathname === "/hand-in"`)
	none("the original")
}
