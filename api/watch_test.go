package api

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/queue/broker"
)

// underWatch is a machine after a run that was inspected so many minutes ago, its watch as on a real machine.
func underWatch(t *testing.T, minutesAgo string) *workshop {
	t.Helper()
	w := newWorkshop(t)
	operator := w.signedIn(t, w.Operator)
	run := w.handIn(t, w.signedIn(t, w.Member), 1).Runs[0]
	w.ready(t, run.ID, 1)
	w.atTheGate(t, operator, run)
	path := "/runs/" + run.ID.String()
	var signed wire.SignedOff
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusOK, &signed)
	if _, err := w.Take(t.Context(), w.Machine.ID, broker.Taken{Run: run.ID, Permit: mustDigest(t, signed.PermitDigest), Challenge: w.floor.challenge}); err != nil {
		t.Fatal(err)
	}
	for i, kind := range []broker.ReportKind{broker.ReportMoved, broker.ReportCompleted, broker.ReportPurged} {
		w.says(t, int64(2+i), broker.Report{Kind: kind, Run: run.ID})
	}
	w.as(t, operator, http.MethodPost, path+"/inspection", `{"sheet":"kept","flame_or_glow":false,"supply_off":true}`, http.StatusOK, nil)
	w.setWatch(t, minutesAgo)
	return w
}

// setWatch lets the last look and the whole watch of half an hour lie so many minutes back.
func (w *workshop) setWatch(t *testing.T, minutesAgo string) {
	t.Helper()
	w.asOwner(t, `UPDATE watch SET every = interval '10 minutes', seen_at = now() - interval '`+minutesAgo+` minutes', until = now() + interval '30 minutes' - interval '`+minutesAgo+` minutes'`)
}

// TestWatchRoutes: looked at, handed over and ended over JSON.
func TestWatchRoutes(t *testing.T) {
	t.Parallel()
	w := underWatch(t, "4")
	operator, officer := w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	path := "/machines/" + w.Machine.ID.String() + "/watch"
	var m wire.MachineDetail
	w.as(t, operator, http.MethodGet, "/machines/"+w.Machine.ID.String(), "", http.StatusOK, &m)
	if k := m.Machine.Watch; k == nil || k.LookEveryS != 600 || k.Missed || k.RunWatches || k.LookDueAt.After(k.Until) {
		t.Errorf("%+v", k)
	}
	w.as(t, operator, http.MethodPost, path+"/look", `{"saw":"a squirrel"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, w.signedIn(t, w.Member), http.MethodPost, path+"/look", `{"saw":"nothing"}`, http.StatusForbidden, nil)
	var looked wire.WatchLooked
	w.as(t, operator, http.MethodPost, path+"/look", `{"saw":"nothing"}`, http.StatusOK, &looked)
	if looked.Closed || looked.Watch == nil {
		t.Errorf("%+v", looked)
	}
	w.as(t, operator, http.MethodPost, path+"/take", "", http.StatusUnprocessableEntity, nil)
	var taken wire.Watch
	w.as(t, officer, http.MethodPost, path+"/take", "", http.StatusOK, &taken)
	if taken.WatcherName != "Officer of the garden" {
		t.Errorf("%+v", taken)
	}
	w.as(t, officer, http.MethodPost, path+"/close", "", http.StatusUnprocessableEntity, nil)
	w.asOwner(t, `UPDATE watch SET until = now(), seen_at = now() - interval '9 minutes'`)
	w.as(t, officer, http.MethodPost, path+"/look", `{"saw":"nothing"}`, http.StatusOK, &looked)
	if !looked.Closed {
		t.Errorf("at its end: %+v", looked)
	}
	w.as(t, officer, http.MethodPost, path+"/look", `{"saw":"nothing"}`, http.StatusNotFound, nil)

	var choice wire.FireWatchChoice
	w.as(t, operator, http.MethodGet, "/site/fire-watch", "", http.StatusOK, &choice)
	w.as(t, officer, http.MethodPut, "/site/fire-watch", `{"edition":"mine"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPut, "/site/fire-watch", `{"edition":"`+checklist.EditionNFPA+`"}`, http.StatusOK, &choice)
	if choice.Chosen != checklist.EditionNFPA || len(choice.Editions) != 3 {
		t.Errorf("%+v", choice)
	}
}

// TestWatchPages: the page says when somebody has to look, who looks is written down, a fire locks the machine
// out, and the site's edition is the officer's choice, never one that nobody made.
func TestWatchPages(t *testing.T) {
	t.Parallel()
	w := underWatch(t, "13")
	operator, officer := w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	path := watchPath(w.Machine.ID)
	w.page(t, "", path, "nobody has looked since", "Sign in to look")
	w.page(t, w.signedIn(t, w.Member), path, "an operator of this machine or the safety officer keeps the watch")
	w.page(t, operator, path, "nobody has looked since", "you keep it", "Time in which nobody looks does not count", "none was published for beam cutters")
	w.page(t, operator, "/", path, "nobody has looked since")
	w.page(t, operator, "/station/"+w.Machine.ID.String(), "look-now", "I looked: nothing", path)
	w.page(t, officer, "/station/"+w.Machine.ID.String(), "I take the watch")
	w.submit(t, operator, path, url.Values{"saw": {"smoke signals"}}, http.StatusUnprocessableEntity)
	if to := w.submit(t, operator, path, url.Values{"saw": {"nothing"}}, http.StatusSeeOther); to != path {
		t.Errorf("looked, and goes to %s", to)
	}
	html := w.page(t, operator, path, "next look by", "Looks so far", "<b>nothing</b>")
	if strings.Contains(html, "nobody has looked") {
		t.Error("looked, and it is still missed")
	}
	w.submit(t, officer, path+"/take", nil, http.StatusSeeOther)
	w.submit(t, officer, path+"/take", nil, http.StatusUnprocessableEntity)
	w.submit(t, officer, path, url.Values{"saw": {"fire"}}, http.StatusSeeOther)
	w.page(t, officer, path, "smoke, glow or flame")
	w.page(t, officer, "/", "locked out")

	w.asOwner(t, `UPDATE site SET fire_edition = ''`)
	w.page(t, officer, path, "No edition is chosen")
	w.page(t, w.signedIn(t, w.Admin), "/site/fire-watch", "so no beam runs", "The safety officer chooses.")
	w.submit(t, officer, "/site/fire-watch", url.Values{"edition": {""}}, http.StatusUnprocessableEntity)
	if to := w.submit(t, officer, "/site/fire-watch", url.Values{"edition": {checklist.EditionIFC}}, http.StatusSeeOther); to != "/site/fire-watch" {
		t.Errorf("chosen, and goes to %s", to)
	}
	w.page(t, officer, "/site/fire-watch", "This site follows <b>International Fire Code 2018</b>")
}

// TestWatchByKeyboard: whoever keeps the watch gets from the station to the look with the keys alone.
func TestWatchByKeyboard(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := underWatch(t, "13")
	b := w.openTab(t, w.Operator)
	path := watchPath(w.Machine.ID)
	b.visit("/")
	b.keep("watch-board")
	b.visit("/station/" + w.Machine.ID.String())
	b.keep("watch-station")
	b.reach(".watch-line a.button")
	b.press("\r")
	b.arrives(path)
	b.keep("watch-missed")
	b.reach("main form button")
	b.press("\r")
	b.waits(`document.body?.innerText.includes("Looks so far")`)
	b.keep("watch-looked")
	officer := w.openTab(t, w.Officer)
	officer.visit("/site/fire-watch")
	officer.keep("watch-edition")
}
