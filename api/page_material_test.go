package api

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// TestMaterialPages: members read what may go under a beam and why; the officer edits with a reason, puts
// lots on the shelf, counts and tests them, proves and withdraws settings, all without a script.
func TestMaterialPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	if err := w.TakeMaterialList(t.Context()); err != nil {
		t.Fatal(err)
	}
	member, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Officer)
	page := func(token, path string) string {
		t.Helper()
		rec := ask(t, w.s.Handler(), http.MethodGet, path, token, "", "Accept", "text/html")
		if rec.Code != http.StatusOK {
			t.Errorf("%s: %d", path, rec.Code)
		}
		return rec.Body.String()
	}
	send := func(token, path string, want int, fields ...string) string {
		t.Helper()
		form := url.Values{}
		for i := 0; i < len(fields); i += 2 {
			form.Add(fields[i], fields[i+1])
		}
		rec := ask(t, w.s.Handler(), http.MethodPost, path, token, form.Encode(), "Content-Type", "application/x-www-form-urlencoded", "Accept", "text/html")
		if rec.Code != want {
			t.Errorf("%s: %d, want %d: %s", path, rec.Code, want, rec.Body)
		}
		if want == http.StatusSeeOther {
			return rec.Header().Get("Location")
		}
		return rec.Body.String()
	}
	holds := func(html string, all ...string) {
		t.Helper()
		for _, text := range all {
			if !strings.Contains(html, text) {
				t.Errorf("lacks %q", text)
			}
		}
	}

	list := page(member, "/materials")
	shelf, rest, _ := strings.Cut(list, "The rest of the list")
	holds(shelf, w.Material.Name, w.Stock.Lot)
	holds(rest, "veneer, no backing", "forbidden", "HCl")
	if strings.Contains(list, `method="post" action="/materials`) || strings.Contains(shelf, "veneer, no backing") {
		t.Error("a member may edit, or what has no stock lies on the shelf")
	}
	if found := page(member, "/materials?find=WOOL"); !strings.Contains(found, "wool felt") || strings.Contains(found, "veneer, no backing") {
		t.Error("finds something else")
	}
	// Hand-in offers what has sheets here, and none of the dozens that the list names besides.
	handIn := page(member, "/hand-in")
	if n := strings.Count(handIn, "<optgroup"); n != 1 || strings.Contains(handIn, "veneer, no backing") {
		t.Errorf("%d materials are offered", n)
	}
	holds(handIn, "The safety officer adds its lot", `href="/materials"`)

	banner := []string{"name", "banner cloth", "composition", "cotton\nskin: C H Cl", "verdict", "allowed", "listed", "0"}
	send(member, "/materials", http.StatusForbidden, banner...)
	holds(send(officer, "/materials", http.StatusUnprocessableEntity, banner...), "holds chlorine", "skin: C H Cl", " open")
	at := send(officer, "/materials", http.StatusSeeOther, "name", "linen board", "composition", "linen\nbinder: C, H O", "verdict", "with care", "listed", "20",
		"verdict_reason", "flares", "fumes", "smoke\n\nCO", "read", "data sheet", "remembered", "common practice", "only", "cut", "only", "mark", "marks", "undyed")
	html := page(member, at)
	holds(html, "binder", "C, H, O", "smoke, CO", "data sheet", "(from memory)", "only to cut, mark", "undyed", "No sheet of it is here")
	if strings.Contains(html, "<form method=\"post\" action=\"/materials") || strings.Contains(html, "barred") {
		t.Error("a member's page")
	}

	// Lots.
	lot := []string{"lot", "L-1", "colour", "natural", "thickness_mm", "2,5", "tolerance_mm", "0.2", "width_mm", "300", "height_mm", "200", "count", "6"}
	holds(send(officer, at+"/lots", http.StatusUnprocessableEntity, append(lot[:5:5], append([]string{"thick"}, lot[6:]...)...)...), "no length", `value="thick"`)
	send(officer, at+"/lots", http.StatusSeeOther, lot...)
	var d wire.MaterialDetail
	w.as(t, officer, http.MethodGet, at, "", http.StatusOK, &d)
	if s := d.Material.Stock[0]; s.ThicknessMm != 2.5 || s.Count != 6 {
		t.Fatalf("%+v", s)
	}
	one := at + "/lots/" + d.Material.Stock[0].ID.String()
	send(officer, one+"/count", http.StatusUnprocessableEntity, "rev", "1", "count", "5", "reason", " ")
	send(officer, one+"/count", http.StatusSeeOther, "rev", "1", "count", "5", "reason", "one was warped")
	send(officer, "/materials/"+w.Material.ID.String()+strings.TrimPrefix(one, at)+"/count", http.StatusNotFound, "rev", "2", "count", "5", "reason", "of another material")
	send(officer, one+"/flame-test", http.StatusUnprocessableEntity, "reason", "said nothing")
	send(officer, one+"/flame-test", http.StatusSeeOther, "halogen", "yes", "reason", "bright green")
	send(officer, one+"/flame-test", http.StatusSeeOther, "halogen", "no", "reason", "again, no flare")
	holds(page(member, at), "halogen found", "5 sheets", "one was warped", "bright green", "which allows nothing")
	holds(page(member, "/hand-in"), "lot L-1, natural, 2.5 mm, 300 × 200 mm, 5 free, never under a beam")

	// Settings.
	proof := []string{"tool", w.Machine.ID.String() + "|beam", "operation", "cut", "thickness_mm", "2.5", "speed", "20", "power", "90", "passes", "1", "kerf_mm", "0,15", "evidence", "test strip in drawer 3"}
	holds(send(officer, at+"/settings", http.StatusUnprocessableEntity, append(proof[:9:9], append([]string{"a lot"}, proof[10:]...)...)...), "no power", `value="a lot"`)
	send(officer, at+"/settings", http.StatusSeeOther, proof...)
	holds(page(member, at), "test strip in drawer 3", "20 mm/s, 90 %", "1.8 J/mm", "kerf 0.15 mm", "Officer of the garden")
	w.as(t, officer, http.MethodGet, at, "", http.StatusOK, &d)
	send(officer, "/materials/"+w.Material.ID.String()+"/settings/"+d.Settings[0].ID.String()+"/withdraw", http.StatusNotFound)
	send(officer, at+"/settings/"+d.Settings[0].ID.String()+"/withdraw", http.StatusSeeOther)
	holds(page(member, at), "Nothing is proven in it")

	// Edits.
	edit := func(rev string, more ...string) []string {
		return append([]string{"rev", rev, "name", "linen board", "composition", "linen", "verdict", "with care", "verdict_reason", "flares"}, more...)
	}
	w.as(t, officer, http.MethodGet, at, "", http.StatusOK, &d)
	rev := strings.Trim(w.as(t, officer, http.MethodGet, at, "", http.StatusOK, nil).Header().Get("ETag"), `"`)
	holds(send(officer, at, http.StatusUnprocessableEntity, edit(rev)...), "A change needs a reason")
	send(officer, at, http.StatusConflict, edit("99", "reason", "the binder is out of use")...)
	send(officer, at, http.StatusSeeOther, edit(rev, "reason", "the binder is out of use")...)
	if html := page(member, at); !strings.Contains(html, "the binder is out of use") || strings.Contains(html, "C, H, O</td>") && strings.Contains(html, "<b>binder</b>") {
		t.Error("the edit is not shown")
	}
	rev = strings.Trim(w.as(t, officer, http.MethodGet, at, "", http.StatusOK, nil).Header().Get("ETag"), `"`)
	send(officer, at+"/retire", http.StatusSeeOther, "rev", rev)
	holds(page(officer, at), "off the list")
	if strings.Contains(page(member, "/materials"), "linen board") {
		t.Error("a retired material is listed")
	}
}
