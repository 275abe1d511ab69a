package api

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/material"
)

const formType = "application/x-www-form-urlencoded"

// sendForm posts a page's form as somebody.
func (w *workshop) sendForm(t *testing.T, token, path, form string, want int) *httptest.ResponseRecorder {
	t.Helper()
	rec := ask(t, w.s.Handler(), http.MethodPost, path, token, form, "Content-Type", formType, "Accept", "text/html")
	if rec.Code != want {
		t.Fatalf("%s: %d, want %d: %s", path, rec.Code, want, rec.Body)
	}
	return rec
}

func (w *workshop) queueOf(t *testing.T, token string) (q wire.Queue, order []int64) {
	t.Helper()
	w.as(t, token, http.MethodGet, "/machines/"+w.Machine.ID.String()+"/queue", "", http.StatusOK, &q)
	for _, p := range q.Places {
		order = append(order, p.Number)
	}
	return q, order
}

// TestQueue_TakeAndCall: an operator takes a run ahead for a reason that others read; who is called and does not
// come keeps the place while the next one goes, and comes back to it.
func TestQueue_TakeAndCall(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operator, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	runs := w.handIn(t, member, 3).Runs
	at := func(i int, what string) string { return "/runs/" + runs[i].ID.String() + "/" + what }
	page := "/machines/" + w.Machine.ID.String() + "/queue"
	q, order := w.queueOf(t, member)
	if len(order) != 3 || order[0] != runs[0].Number || q.Places[0].Why != "order of arrival" || q.Places[0].Start == nil || q.PaceRuns != 0 {
		t.Fatalf("%+v", q)
	}
	w.as(t, officer, http.MethodPost, at(2, "take"), `{"reason":"the class ends at one"}`, http.StatusForbidden, nil)
	w.as(t, operator, http.MethodPost, at(2, "take"), `{"reason":" "}`, http.StatusUnprocessableEntity, nil)
	w.as(t, operator, http.MethodPost, at(0, "take"), `{"reason":"it is first"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, operator, http.MethodPost, at(2, "take"), `{"reason":"the class ends at one"}`, http.StatusNoContent, nil)
	w.as(t, operator, http.MethodPost, at(2, "take"), `{"reason":"again"}`, http.StatusUnprocessableEntity, nil)
	if q, order = w.queueOf(t, member); order[0] != runs[2].Number || q.Places[0].Reason != "taken ahead by an operator: the class ends at one" {
		t.Fatalf("%+v", q)
	}
	offers, err := w.Offers(t.Context(), w.Machine.ID)
	if err != nil || len(offers) != 3 || offers[0].Run != runs[2].ID {
		t.Errorf("the machine prepares %+v, %v", offers, err)
	}

	w.as(t, operator, http.MethodPost, at(2, "came"), "", http.StatusConflict, nil)
	w.as(t, operator, http.MethodPost, at(2, "call"), "", http.StatusNoContent, nil)
	lane, _, err := w.s.laneOf(t.Context(), w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	if r, ok := lane.Going(); !ok || r.ID != runs[2].ID {
		t.Error("who was just called is passed over")
	}
	w.calledBefore(t, runs[2].ID, 6*time.Minute)
	if lane, _, err = w.s.laneOf(t.Context(), w.Machine.ID); err != nil {
		t.Fatal(err)
	}
	if r, ok := lane.Going(); !ok || r.ID != runs[0].ID || lane.Next[0].ID != runs[2].ID {
		t.Errorf("run %d goes, first is %d", r.Number, lane.Next[0].Number)
	}
	if q, _ = w.queueOf(t, member); !q.Places[0].Absent {
		t.Errorf("%+v", q.Places[0])
	}
	html := ask(t, w.s.Handler(), http.MethodGet, page, member, "", "Accept", "text/html").Body.String()
	if !strings.Contains(html, "called, not here: the next one goes") || !strings.Contains(html, "I am at the machine") || strings.Contains(html, "Take ahead") {
		t.Error("the member's page of the queue")
	}
	// Somebody else's run is not there for who is no operator.
	other := w.signedIn(t, w.Admin)
	w.as(t, other, http.MethodPost, "/runs/"+uuid.NewString()+"/came", "", http.StatusNotFound, nil)
	w.sendForm(t, member, page+"/came", "run="+runs[2].ID.String(), http.StatusSeeOther)
	if q, _ = w.queueOf(t, member); q.Places[0].Absent {
		t.Error("who came is still waited for")
	}

	w.sendForm(t, member, page+"/take", "run="+runs[1].ID.String()+"&reason=mine", http.StatusForbidden)
	if rec := w.sendForm(t, operator, page+"/take", "run="+runs[1].ID.String()+"&reason=", http.StatusUnprocessableEntity); !strings.Contains(rec.Body.String(), "needs a reason") {
		t.Error("the refusal is not told on the page")
	}
	w.sendForm(t, operator, page+"/call", "run="+runs[1].ID.String(), http.StatusSeeOther)
	w.as(t, member, http.MethodPost, at(1, "came"), "", http.StatusNoContent, nil)
	newcomer, err := w.AddPerson(t.Context(), w.Admin, db.NewPerson{SignInName: "sorrel", Name: "A member who operates nothing yet", Role: db.RoleMember, PasswordHash: "none"})
	if err != nil {
		t.Fatal(err)
	}
	w.as(t, w.signedIn(t, db.Actor{Person: newcomer.ID, Role: newcomer.Role}), http.MethodPost, at(1, "call"), "", http.StatusForbidden, nil)
	w.as(t, operator, http.MethodPost, at(1, "call"), "", http.StatusNoContent, nil)
	w.sendForm(t, operator, page+"/take", "run="+runs[1].ID.String()+"&reason=one+sheet+is+left", http.StatusSeeOther)
	html = ask(t, w.s.Handler(), http.MethodGet, page, operator, "", "Accept", "text/html").Body.String()
	if !strings.Contains(html, "taken ahead by an operator: one sheet is left") || !strings.Contains(html, "<b class=\"state\">next</b>") {
		t.Error("the operator's page of the queue")
	}
	// The order binds whoever asks by route: what was taken ahead goes to the gate, and what others go before does not.
	if p := problemIn(t, w.as(t, operator, http.MethodPost, at(0, "checklist"), "", http.StatusUnprocessableEntity, nil)); !strings.Contains((*p.Reasons)[0].What, fmt.Sprintf("run %d goes first", runs[2].Number)) {
		t.Errorf("out of turn: %+v", (*p.Reasons)[0])
	}
	w.as(t, operator, http.MethodPost, at(1, "checklist"), "", http.StatusOK, nil)
	w.as(t, operator, http.MethodPost, at(1, "call"), "", http.StatusConflict, nil)
	w.as(t, operator, http.MethodPost, at(1, "take"), `{"reason":"late"}`, http.StatusConflict, nil)
	if q, order = w.queueOf(t, member); order[0] != runs[1].Number || q.Places[0].Why != "at the gate" {
		t.Errorf("%+v", q.Places[0])
	}
	if rec := ask(t, w.s.Handler(), http.MethodGet, "/machines/"+uuid.NewString()+"/queue", member, "", "Accept", "text/html"); rec.Code != http.StatusNotFound {
		t.Errorf("the queue of no machine: %d", rec.Code)
	}
}

// calledBefore moves a call into the past.
func (w *workshop) calledBefore(t *testing.T, run uuid.UUID, ago time.Duration) {
	t.Helper()
	if _, err := w.Pool.Exec(t.Context(), `UPDATE queue_call SET at = now() - $2::interval WHERE run = $1`, run, ago); err != nil {
		t.Fatal(err)
	}
}

// TestQueue_Swap: at the station a run goes to an offcut with its plan made anew, promised sheets follow, and what
// does not fit, or is another material, is refused.
func TestQueue_Swap(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operator, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	add := func(lot string, of uuid.UUID, thick, wide int64) db.Stock {
		t.Helper()
		st, err := w.AddStock(t.Context(), w.Admin, of, material.Stock{Lot: lot, Colour: "natural", ThicknessUM: thick, ToleranceUM: 200, SheetWidthUM: wide, SheetHeightUM: wide}, 1)
		if err != nil {
			t.Fatal(err)
		}
		return st
	}
	other, err := w.AddMaterial(t.Context(), w.Admin, material.Material{Name: "poplar board", Composition: material.Of("poplar"), ColourClass: "light", Verdict: material.Allowed})
	if err != nil {
		t.Fatal(err)
	}
	offcut, scrap, thick, card := add("P118a", w.Material.ID, 3000, 90_000), add("P118b", w.Material.ID, 3000, 20_000), add("P6", w.Material.ID, 6000, 300_000), add("C1", other.ID, 3000, 300_000)
	job := w.handIn(t, member, 2)
	run := job.Runs[0]
	path := "/runs/" + run.ID.String() + "/swap"
	body := func(st db.Stock) string { return fmt.Sprintf(`{"stock_id":%q,"reason":"the sheet is warped"}`, st.ID) }
	w.as(t, officer, http.MethodPost, path, body(offcut), http.StatusForbidden, nil)
	for _, no := range []string{body(scrap), body(thick), body(card), body(w.Stock), fmt.Sprintf(`{"stock_id":%q,"reason":""}`, offcut.ID)} {
		w.as(t, operator, http.MethodPost, path, no, http.StatusUnprocessableEntity, nil)
	}
	html := ask(t, w.s.Handler(), http.MethodGet, "/station/"+w.Machine.ID.String(), operator, "", "Accept", "text/html").Body.String()
	for _, want := range []string{"Another sheet", "lot P118a", "lot P118b", "Call Member g.", "Why now: the order of arrival"} {
		if !strings.Contains(html, want) {
			t.Errorf("the station does not say %q", want)
		}
	}
	if strings.Contains(html, "lot P6") || strings.Contains(html, "lot C1") {
		t.Error("the station offers another thickness or material")
	}
	w.as(t, operator, http.MethodPost, "/runs/"+run.ID.String()+"/checklist", "", http.StatusOK, nil)
	var after wire.Run
	w.as(t, operator, http.MethodPost, path, body(offcut), http.StatusOK, &after)
	if after.StockLot != "P118a" || after.Plan == run.Plan || after.Phase != "proposed" || after.Ready || after.PlannedS == 0 {
		t.Errorf("%+v", after)
	}
	var made wire.Plan
	w.as(t, member, http.MethodGet, "/plans/"+after.Plan, "", http.StatusOK, &made)
	if made.SheetWidthMm != 90 || made.MemberID != w.Member.Person {
		t.Errorf("the plan is for a sheet of %v mm, by %v", made.SheetWidthMm, made.MemberID)
	}
	reserved := func() (all [2]int64) {
		t.Helper()
		for i, id := range []uuid.UUID{w.Stock.ID, offcut.ID} {
			if err := w.Pool.QueryRow(t.Context(), `SELECT reserved FROM stock WHERE id = $1`, id).Scan(&all[i]); err != nil {
				t.Fatal(err)
			}
		}
		return all
	}
	if got := reserved(); got != [2]int64{1, 1} {
		t.Errorf("promised sheets: %v", got)
	}
	// The offcut's only sheet is promised; the second run finds none.
	w.as(t, operator, http.MethodPost, "/runs/"+job.Runs[1].ID.String()+"/swap", body(offcut), http.StatusUnprocessableEntity, nil)
	w.as(t, member, http.MethodPost, "/jobs/"+job.ID.String()+"/withdraw", "", http.StatusOK, nil)
	if got := reserved(); got != [2]int64{} {
		t.Errorf("promised after the job was withdrawn: %v", got)
	}
	w.as(t, operator, http.MethodPost, path, body(w.Stock), http.StatusConflict, nil)
}
