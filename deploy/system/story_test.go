package system_test

import (
	"bytes"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfgate/db/dbtest"
)

// goodAnswers lift every bar of a beam run in plywood on the lidded cutter, in order.
func goodAnswers(marking, lot, thickness, grammage, pascal string) []object {
	material := object{"lot": lot}
	if thickness != "" {
		material["thickness"] = thickness
	} else {
		material["grammage"] = grammage
	}
	return []object{
		{"item": "eyewear", "values": object{"marking": marking, "on": "yes"}},
		{"item": "extinguisher", "values": object{"agent": "CO₂", "gauge": "no gauge, seal and weight tag intact",
			"inspected": time.Now().Format("2006-01"), "reach": "yes"}},
		{"item": "ventilation", "values": object{"reading": pascal}},
		{"item": "bed", "values": object{"assist": "on", "clear": "yes"}},
		{"item": "material", "values": material},
		{"item": "supply", "values": object{"on": "yes"}},
	}
}

func plywoodAnswers() []object {
	return goodAnswers("10600 D LB6", "P118", "3.05", "", "118")
}

// toTheGate takes a run to the gate and places its sheet: home, the origin, and the focus that is asked.
func toTheGate(operator *caller, run string) {
	operator.t.Helper()
	operator.waits("/runs/"+run, "its worker to be ready", 30*time.Second, func(o object) bool { return o.at("ready") == true })
	// The demo's own runs wait before it; one that is next anyway needs no reason.
	if status, _, err := operator.try("POST", "/runs/"+run+"/checklist", nil, ""); err != nil || status != http.StatusOK {
		operator.post("/runs/"+run+"/take", object{"reason": "the class ends at one"})
		operator.post("/runs/"+run+"/checklist", nil)
	}
	run0 := operator.get("/runs/" + run)
	operator.put("/runs/"+run+"/placement", object{"supply_off": true})
	operator.put("/runs/"+run+"/placement", object{"tool": run0.str("tool")})
	home := operator.post("/runs/"+run+"/setup", object{"kind": "home", "on_mark": true})
	if home.at("homed") != true {
		operator.t.Fatalf("home answered %v", home)
	}
	operator.put("/runs/"+run+"/placement", object{"origin_x_mm": 20, "origin_y_mm": 20})
	if wanted := operator.get("/runs/" + run + "/gate").at("focus_wanted_mm"); wanted != nil {
		operator.put("/runs/"+run+"/placement", object{"focus_mm": wanted})
	}
}

func answerAll(operator *caller, run string, answers []object) {
	operator.t.Helper()
	var gate object
	for _, a := range answers {
		// What the run itself asks for comes before the supply.
		if a.str("item") == "supply" && slices.ContainsFunc(gate.list("bars"), func(bar object) bool { return bar.str("key") == "second" }) {
			operator.put("/runs/"+run+"/second", operator.second)
		}
		gate = operator.put("/runs/"+run+"/answers/"+a.str("item"), object{"values": a["values"]})
		if bar := at(gate.list("bars"), "key", a.str("item")); bar.at("up") != true {
			operator.t.Fatalf("the bar %s stays down: %s", a.str("item"), bar.str("problem"))
		}
	}
}

func inspection(sheet string) object {
	return object{"sheet": sheet, "flame_or_glow": false, "supply_off": true}
}

// The whole job over HTTP: a drawing handed in becomes a finished, logged run behind a signed
// checklist; another run is stopped; the logbook is exported and checked offline.
func TestStory(t *testing.T) {
	t.Parallel()
	h := startTry(t, filepath.Join(dbtest.Folder(t), "data"))
	thyme, rowan, juniper := h.as(t, "thyme"), h.as(t, "rowan"), h.as(t, "juniper")

	// A member hands in a drawing, sees what it will become, and submits it.
	drawing := thyme.handIn("drawer-front.svg", []byte(drawerFront))
	cutter := at(thyme.get("/machines").list("machines"), "bay", "Bay 1")
	plywood := at(thyme.get("/materials").list("materials"), "name", "poplar plywood")
	stock := at(plywood.list("stock"), "lot", "P118")
	plan := thyme.post("/plans", object{"drawing_id": drawing.str("id"), "machine_id": cutter.str("id"), "tool": "beam",
		"material_id": plywood.str("id"), "stock_id": stock.str("id"), "default_operation": "cut", "operations": object{"B": "mark"}})
	if plan.num("numbers.total_s") <= 0 || plan.num("numbers.cut_mm") <= 0 || plan.num("numbers.mark_mm") <= 0 || plan.num("extents.max_x_mm") < 100 {
		t.Errorf("plan says %v, extents %v", plan["numbers"], plan["extents"])
	}
	if _, picture, err := thyme.try("GET", "/plans/"+plan.str("digest")+"/picture.svg", nil, ""); err != nil || !bytes.Contains(picture, []byte("<svg")) {
		t.Errorf("no picture of the plan: %v", err)
	}
	job := thyme.post("/jobs", object{"title": "drawer front for the seeds", "plan": plan.str("digest"),
		"machine_id": cutter.str("id"), "stock_id": stock.str("id"), "copies": 2})
	if job.str("state") != "queued" {
		t.Errorf("job is %s, want queued", job.str("state"))
	}
	first, second := job.list("runs")[0].str("id"), job.list("runs")[1].str("id")

	// It waits on the board, behind a gate.
	if board := thyme.get("/board"); len(board.list("lanes")) != 3 {
		t.Errorf("board shows %d lanes, want 3", len(board.list("lanes")))
	}
	// A member may not operate.
	thyme.refused("POST", "/runs/"+first+"/checklist", nil, http.StatusForbidden)

	// An operator takes it, places the sheet, answers, signs.
	toTheGate(rowan, first)
	refusal := rowan.refused("POST", "/runs/"+first+"/sign", nil, http.StatusUnprocessableEntity)
	if len(refusal.list("reasons")) != 6 {
		t.Errorf("signing without answers gives %d reasons, want the six items: %v", len(refusal.list("reasons")), refusal["reasons"])
	}
	// A failed answer keeps its bar down and says why.
	gate := rowan.put("/runs/"+first+"/answers/ventilation", object{"values": object{"reading": "80"}})
	if bar := at(gate.list("bars"), "key", "ventilation"); bar.at("up") == true || bar.str("problem") == "" || bar.str("next") == "" {
		t.Errorf("80 Pa of 120 lifted the bar: %v", bar)
	}
	answerAll(rowan, first, plywoodAnswers())
	signed := rowan.post("/runs/"+first+"/sign", nil)
	if signed.str("attendance_token") == "" || signed.str("worker_url") == "" {
		t.Fatalf("signing answered %v", signed)
	}
	rowan.waitsForPhase(first, "running", 40*time.Second)
	attend(t, signed)
	reading := status(t, signed.str("worker_url"))
	if reading.str("run") != first || reading.num("total_ms") <= 0 {
		t.Errorf("status says %v", reading)
	}
	rowan.waitsForPhase(first, "purging", 2*time.Minute)
	rowan.waitsForPhase(first, "inspecting", time.Minute)
	rowan.refused("POST", "/runs/"+first+"/inspection", object{"sheet": "kept", "flame_or_glow": false, "supply_off": false}, http.StatusUnprocessableEntity)
	done := rowan.post("/runs/"+first+"/inspection", inspection("kept"))
	if done.str("phase") != "closed" || done.str("outcome") != "completed" || done.at("has_picture") != true {
		t.Errorf("the run ended as %v", done)
	}
	if _, png, err := rowan.try("GET", "/runs/"+first+"/picture.png", nil, ""); err != nil || !bytes.HasPrefix(png, []byte("\x89PNG")) {
		t.Errorf("no picture of the sheet: %v", err)
	}
	// Planned against real: the simulated machine integrates motion on its own.
	if planned, real := done.num("planned_s"), done.num("real_s"); real < 0.9*planned || real > 1.1*planned {
		t.Errorf("planned %.1f s, took %.1f s", planned, real)
	}

	// The second is stopped while it runs: at the machine's own worker first, by nobody in particular.
	toTheGate(rowan, second)
	answerAll(rowan, second, plywoodAnswers())
	signed = rowan.post("/runs/"+second+"/sign", nil)
	rowan.waitsForPhase(second, "running", 40*time.Second)
	res, err := http.Post(signed.str("worker_url")+"/stop", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	rowan.post("/runs/"+second+"/stop", nil)
	rowan.waitsForPhase(second, "inspecting", time.Minute)
	stopped := rowan.post("/runs/"+second+"/inspection", inspection("scrapped"))
	if stopped.str("outcome") != "stopped" {
		t.Errorf("outcome %s, want stopped", stopped.str("outcome"))
	}

	// What the logbook says, and the offline check of it.
	var kinds []string
	for _, e := range juniper.get("/logbook?limit=200&subject=" + second).list("entries") {
		kinds = append(kinds, e.str("kind"))
	}
	for _, want := range []string{"run.signed", "run.burned", "run.moved", "run.stopped", "stop.pressed", "run.purged", "run.inspected"} {
		if !strings.Contains(strings.Join(kinds, " "), want) {
			t.Errorf("the logbook of the stopped run lacks %s: %v", want, kinds)
		}
	}
	checkExport(t, h, juniper)
}

// attend shows the token at the worker's own listener, as the station does.
func attend(t *testing.T, signed object) {
	t.Helper()
	res, err := http.Post(signed.str("worker_url")+"/attend", "application/json", strings.NewReader(`{"token":"`+signed.str("attendance_token")+`"}`))
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		t.Errorf("attendance answered %s", res.Status)
	}
}

// checkExport exports the logbook and checks it with the program itself, offline; then with one
// byte changed it must fail with the status that says so.
func checkExport(t *testing.T, h *house, officer *caller) {
	t.Helper()
	status, export, err := officer.try("GET", "/logbook/export", nil, "")
	if err != nil || status != http.StatusOK {
		t.Fatalf("export: %d %v", status, err)
	}
	file := filepath.Join(t.TempDir(), "logbook.kerfgate")
	if err := os.WriteFile(file, export, 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"logbook", "check", file}
	for _, name := range []string{"logbook.vkey", "permit.vkey"} {
		key, err := os.ReadFile(filepath.Join(h.dir, "keys", name))
		if err != nil {
			t.Fatal(err)
		}
		args = append(args, "--key", strings.TrimSpace(string(key)))
	}
	out, err := exec.Command(program, args...).CombinedOutput()
	if err != nil || !bytes.HasPrefix(out, []byte("good:")) {
		t.Errorf("check: %v\n%s", err, out)
	}
	export[len(export)/2] ^= 1
	if err := os.WriteFile(file, export, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err = exec.Command(program, args...).CombinedOutput()
	var exit *exec.ExitError
	if !asExit(err, &exit) || exit.ExitCode() == 0 {
		t.Errorf("an altered export passed: %v\n%s", err, out)
	}
}
