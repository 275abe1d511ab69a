package api

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
)

// TestStandBy: a second person signs in for the bar with a password of their own; the operator is none, a wrong
// password is none, and the bar then tells who stands by.
func TestStandBy(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	run, operator := job.Runs[0], w.signedIn(t, w.Operator)
	path := "/runs/" + run.ID.String()
	w.asOwner(t, `UPDATE plan SET hot_spots = 2`)
	w.ready(t, run.ID, 1)
	w.as(t, operator, http.MethodPost, path+"/checklist", "", http.StatusOK, nil)
	hash, err := HashPassword(t.Context(), "a long enough password")
	if err != nil {
		t.Fatal(err)
	}
	siri, err := w.AddPerson(t.Context(), w.Officer, db.NewPerson{SignInName: "siri", Name: "Siri of the garden", Role: db.RoleMember, PasswordHash: hash})
	if err != nil {
		t.Fatal(err)
	}
	w.as(t, operator, http.MethodPut, path+"/second", `{"sign_in":"siri","password":"another password"}`, http.StatusUnauthorized, nil)
	w.as(t, operator, http.MethodPut, path+"/second", `{"sign_in":"siri"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, operator, http.MethodPut, path+"/second", `{"sign_in":"siri","pin":"482913"}`, http.StatusForbidden, nil) // no station
	var gate wire.Gate
	w.as(t, operator, http.MethodPut, path+"/second", `{"sign_in":"siri","password":"a long enough password"}`, http.StatusOK, &gate)
	for _, b := range gate.Bars {
		if b.Key == checklist.ItemSecond && !b.Up {
			t.Errorf("%+v", b)
		}
	}
	page := w.page(t, operator, "/station/"+w.Machine.ID.String(), "Siri of the garden</b> stands by", "Their sign-in name")
	if strings.Contains(page, siri.ID.String()) {
		t.Error("the page tells the second person's id")
	}
	w.as(t, w.signedIn(t, w.Member), http.MethodPut, path+"/second", `{"sign_in":"siri","password":"a long enough password"}`, http.StatusForbidden, nil)
	w.as(t, operator, http.MethodPut, "/runs/"+uuid.NewString()+"/second", `{"sign_in":"siri","password":"a long enough password"}`, http.StatusNotFound, nil)
}

// TestContact: the officer of a site of one names whom they tell of a start; nobody else does, and the page
// of a workshop does not ask.
func TestContact(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	officer := w.signedIn(t, w.Officer)
	if page := w.page(t, officer, "/site"); strings.Contains(page, "Whom you tell") {
		t.Error("a workshop is asked for a contact")
	}
	w.asOwner(t, `UPDATE site SET kind = 'alone'`)
	w.as(t, officer, http.MethodPut, "/site/contact", `{"contact":"the neighbour, 555 0100"}`, http.StatusNoContent, nil)
	w.as(t, officer, http.MethodPut, "/site/contact", `{"contact":"`+strings.Repeat("ø", 150)+`"}`, http.StatusUnprocessableEntity, nil)
	w.page(t, officer, "/site", "Whom you tell", `value="the neighbour, 555 0100"`)
	w.submit(t, officer, "/site/contact", map[string][]string{"contact": {""}}, http.StatusSeeOther)
	w.page(t, officer, "/site", `name="contact" value=""`)
}
