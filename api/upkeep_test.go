package api

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// TestUpkeep: set by an officer, done by an operator, read by everybody; the page as well.
func TestUpkeep(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operatorToken, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	body := func(days int) string {
		return fmt.Sprintf(`{"machine_id":%q,"what":"clean the lens","days":%d,"critical":true}`, w.Machine.ID, days)
	}
	var task wire.UpkeepTask
	w.as(t, operatorToken, http.MethodPost, "/upkeep", body(7), http.StatusForbidden, nil)
	w.as(t, officer, http.MethodPost, "/upkeep", body(0), http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPost, "/upkeep", strings.Replace(body(7), w.Machine.ID.String(), "00000000-0000-4000-8000-000000000009", 1), http.StatusNotFound, nil)
	w.as(t, officer, http.MethodPost, "/upkeep", body(7), http.StatusCreated, &task)
	if task.State != wire.NotDue || !task.Critical || task.Why != "0 of 7 days" {
		t.Errorf("%+v", task)
	}
	done := "/upkeep/" + task.ID.String() + "/done"
	w.as(t, member, http.MethodPost, done, `{"note":"cleaned"}`, http.StatusForbidden, nil)
	w.as(t, operatorToken, http.MethodPost, done, `{"note":""}`, http.StatusUnprocessableEntity, nil)
	w.as(t, operatorToken, http.MethodPost, done, `{"note":"cleaned, no haze"}`, http.StatusOK, &task)
	var list wire.UpkeepList
	w.as(t, member, http.MethodGet, "/upkeep?machine_id="+w.Machine.ID.String(), "", http.StatusOK, &list)
	if len(list.Tasks) != 1 || list.Tasks[0].LastNote != "cleaned, no haze" || list.Tasks[0].LastBy != "Operator of the garden" {
		t.Errorf("%+v", list)
	}
	page := func(token string) string {
		rec := ask(t, w.s.Handler(), http.MethodGet, "/upkeep", token, "", "Accept", "text/html")
		if rec.Code != http.StatusOK {
			t.Errorf("page: %d", rec.Code)
		}
		return rec.Body.String()
	}
	if html := page(member); !strings.Contains(html, "clean the lens") || strings.Contains(html, "<form method=\"post\" action=\"/upkeep") {
		t.Error("a member's page")
	}
	send := func(path, token, what, kind string, want int) {
		t.Helper()
		if rec := ask(t, w.s.Handler(), http.MethodPost, path, token, what, "Content-Type", kind, "Accept", "text/html"); rec.Code != want {
			t.Errorf("%s: %d", path, rec.Code)
		}
	}
	const plain = "application/x-www-form-urlencoded"
	send("/upkeep", officer, "machine="+w.Machine.ID.String()+"&what=oil+the+rails&hours=50", plain, http.StatusSeeOther)
	send("/upkeep", officer, "machine="+w.Machine.ID.String()+"&what=oil+the+rails&hours=many", plain, http.StatusUnprocessableEntity)
	with, kind := form(t, photoOf(t, 8, 4, 1), map[string]string{"note": "oiled"})
	send("/upkeep/"+task.ID.String()+"/done", operatorToken, with, kind, http.StatusSeeOther)
	w.as(t, officer, http.MethodDelete, "/upkeep/"+task.ID.String(), "", http.StatusNoContent, nil)
	if html := page(officer); strings.Contains(html, "clean the lens") || !strings.Contains(html, "every 50 machine hours") {
		t.Error("the officer's page")
	}
}
