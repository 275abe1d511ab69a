package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
)

// TestContract_Walk asks every route for the answers that it declares and that need no state: an object
// that is not there, a body of another type or too large, one key for two bodies.
func TestContract_Walk(t *testing.T) {
	t.Parallel()
	c, err := openContract()
	if err != nil {
		t.Fatal(err)
	}
	w := newWorkshop(t)
	asOperator, asOfficer, asAdmin := w.signedIn(t, w.Operator), w.signedIn(t, w.Officer), w.signedIn(t, w.Admin)
	for _, r := range policy() {
		path := strings.TrimPrefix(r.path, base)
		op := c.doc.Paths.Find(braced(path)).Operations()[r.method]
		if op == nil {
			t.Fatalf("%s %s is not described", r.method, r.path)
		}
		token := asOfficer
		if slices.Contains(r.roles, operator) {
			token = asOperator
		} else if slices.Equal(r.roles, []role{admin}) {
			token = asAdmin
		}
		missing := strings.NewReplacer(":id", uuid.NewString(), ":digest", strings.Repeat("ab", 32), ":item", "eyewear", ":index", "1000000", ":n", "1").Replace(path)
		body := bodies[op.OperationID]
		if body == "" && r.body > 0 {
			body = "{}"
		}
		declares := func(status int) bool { return op.Responses.Status(status) != nil }
		wants := func(status int, body string, header ...string) {
			if rec := ask(t, w.s.Handler(), r.method, base+missing, token, body, header...); rec.Code != status {
				t.Errorf("%s (%s %s): %d, want %d: %s", op.OperationID, r.method, path, rec.Code, status, rec.Body)
			}
		}
		if declares(http.StatusNotFound) && missing != path {
			wants(http.StatusNotFound, body)
		}
		if declares(http.StatusUnsupportedMediaType) {
			wants(http.StatusUnsupportedMediaType, "bed sign", "Content-Type", "text/plain")
		}
		if declares(http.StatusRequestEntityTooLarge) && !r.upload {
			wants(http.StatusRequestEntityTooLarge, `{"reason":"`+strings.Repeat("x", int(r.body))+`"}`)
		}
		if r.once && declares(http.StatusConflict) && !r.upload {
			key := uuid.NewString()
			ask(t, w.s.Handler(), r.method, base+missing, token, body, "Idempotency-Key", key)
			missing += "?again=1" // what is asked counts as much as the body
			wants(http.StatusConflict, body, "Idempotency-Key", key)
		}
	}
}

// braced is a route's path as the description writes it.
func braced(path string) string {
	parts := strings.Split(path, "/")
	for i, part := range parts {
		if name, ok := strings.CutPrefix(part, ":"); ok {
			parts[i] = "{" + name + "}"
		}
	}
	return strings.Join(parts, "/")
}

// bodies are requests in good form, by operation.
var bodies = map[string]string{
	"addMaterial":        `{"name":"birch plywood","composition":[{"name":"wood"}],"verdict":"allowed"}`,
	"changeMaterial":     `{"name":"birch plywood","composition":[{"name":"wood"}],"verdict":"allowed","reason":"data sheet"}`,
	"addStock":           `{"lot":"B7","colour":"pale","thickness_mm":3,"tolerance_mm":0.2,"sheet_width_mm":300,"sheet_height_mm":200,"count":4}`,
	"countStock":         `{"count":4,"reason":"counted"}`,
	"testStock":          `{"halogen":true,"reason":"green flare"}`,
	"proveSetting":       `{"machine_id":"00000000-0000-4000-8000-000000000002","tool":"beam","thickness_mm":3,"operation":"cut","speed_mm_per_s":12,"power_percent":90,"passes":1,"kerf_mm":0.15,"evidence":"run 12"}`,
	"lookAtWatch":        `{"saw":"nothing"}`,
	"openSession":        `{"sign_in":"fern","password":"x"}`,
	"openStationSession": `{"sign_in":"fern","pin":"482913"}`,
	"openPasskeySession": `{"credential_id":"AAAA","client_data":"AAAA","authenticator_data":"AAAA","signature":"AAAA","user_handle":"AAAA"}`,
	"beginPasskey":       `{"password":"x"}`,
	"addPasskey":         `{"name":"phone","credential_id":"AAAA","client_data":"AAAA","attestation":"AAAA"}`,
	"setPIN":             `{"password":"x","pin":"482913"}`,
	"changePassword":     `{"password":"x","new_password":"a long enough password"}`,
	"makeToken":          `{"name":"label maker","scopes":["read"],"expires_at":"2027-01-01T00:00:00Z"}`,
	"changePerson":       `{"name":"Fern","role":"member","disabled":false}`,
	"authorise":          `{"machine_id":"00000000-0000-4000-8000-000000000002","expires_at":"2027-01-01T00:00:00Z","evidence":"supervised run"}`,
	"invite":             `{"name":"Fern","role":"member"}`,
	"acceptInvitation":   `{"secret":"AAAA-BBBB-CCCC-DDDD","sign_in":"fern","new_password":"a long enough password"}`,
	"reportIncident":     `{"kind":"near miss","machine_id":"00000000-0000-4000-8000-000000000002","what":"lid opened","severity":"none","potential":"treatment"}`,
	"addIncidentNote":    `{"about":"fact","text":"the magnet had come off"}`,
	"addFollowUp":        `{"what":"screw it on","remedy":"engineering","owner_id":"00000000-0000-4000-8000-000000000002","due":"2027-01-01"}`,
	"finishFollowUp":     `{"result":"screwed on"}`,
	"closeIncident":      `{"closing":"looked at every month"}`,
	"setUpkeep":          `{"machine_id":"00000000-0000-4000-8000-000000000002","what":"clean the lens","days":7,"critical":false}`,
	"doUpkeep":           `{"note":"cleaned"}`,
	"makeStationCode":    `{"name":"tablet"}`,
	"enrolStation":       `{"code":"AAAA-BBBB-CCCC-DDDD"}`,
	"enrolWorker":        `{"secret":"AAAA-BBBB-CCCC-DDDD","public_key":"U","last_report":0}`,
	"replaceWorkerKey":   `{"machine_id":"00000000-0000-4000-8000-000000000002","before":"U","after":"U","signature":"AAAA"}`,
	"keepWorkerListener": `{"machine_id":"00000000-0000-4000-8000-000000000002","public_key":"U","address":"http://127.0.0.1:1","signature":"AAAA"}`,
	"swapRun":            `{"stock_id":"00000000-0000-4000-8000-000000000004","reason":"the sheet is warped"}`,
	"takeRun":            `{"reason":"the class ends at one"}`,
	"handOverRun":        `{"attendance_token":"x"}`,
	"setLockout":         `{"reason":"lid hinge loose"}`,
	"liftLockout":        `{"reason":"hinge mended"}`,
	"makePlan": `{"drawing_id":"00000000-0000-4000-8000-000000000001","machine_id":"00000000-0000-4000-8000-000000000002","tool":"beam",
		"material_id":"00000000-0000-4000-8000-000000000003","stock_id":"00000000-0000-4000-8000-000000000004","default_operation":"cut"}`,
	"submitJob": `{"title":"bed sign","plan":"` + strings.Repeat("ab", 32) + `","machine_id":"00000000-0000-4000-8000-000000000002",
		"stock_id":"00000000-0000-4000-8000-000000000004","copies":1}`,
	"chooseJobSet": `{"set_id":"00000000-0000-4000-8000-000000000002"}`,
	"makeSet":      `{"name":"garden shed"}`,
	"setUp":        `{"kind":"home"}`,
	"holdRun":      `{"way":"left"}`,
	"placeRun":     `{"origin_x_mm":20,"origin_y_mm":20}`,
	"addPair":      `{"label":"pair 9","marking":"10600 D LB6"}`,
	"lookAtPair":   `{"damaged":false}`,
	"nameContact":  `{"contact":"the neighbour"}`,
	"resumeRun":    `{"no_glow":true,"sheet_unmoved":true,"eyewear_on":true}`,
	"standBy":      `{"sign_in":"fern","password":"x"}`,
	"giveAnswer":   `{"values":{"on":"yes"}}`,
	"inspectRun":   `{"sheet":"kept","flame_or_glow":false,"supply_off":true}`,
}
