package system_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// fault is one row of the list of faults: what is done to the whole, the state that it must
// come to, the invariant that this guards, and the tests that prove it.
type fault struct {
	row, injected, state, guards string
	tests                        []string // package.Test
}

// faults are the rows that are proven.
var faults = []fault{
	{"F1", "the same offer twice", "prepared once, answered with the first result", "I2", []string{"worker.TestF1_Offers", "worker.TestI2_AnyHistory"}},
	{"F2", "an offer redelivered before and while its run moves", "the run goes on, no second start", "I2", []string{"broker.TestOfferComesAgain", "worker.TestI2_AnyHistory"}},
	{"F3", "the broker restarted between offer and ack, and while the run moves", "starts once, or not at all", "I2", []string{"system.TestF3_BrokerRestarts", "broker.TestReportsPassOverRestarts"}},
	{"F4", "streams and consumers deleted while runs wait", "made anew, every waiting run offered again", "B4", []string{"broker.TestStreamsLost"}},
	{"F5", "worker killed before the burn", "permit unused, checking", "I2", []string{"system.TestI2_KilledAnywhere", "worker.TestI2_KillMatrix"}},
	{"F6", "worker killed after the burn, before motion", "interrupted, never moved, inspection asked", "I2, I4", []string{"system.TestI2_KilledAnywhere", "worker.TestI2_KillMatrix"}},
	{"F7", "worker killed during motion", "beam off by the machine's own cut-off, interrupted, no resume", "I4, I15", []string{"system.TestI2_KilledAnywhere", "simulated.TestSilentHostLosesTheBeam"}},
	{"F8", "server killed at each statement of the permit transaction", "permit and entry, or neither", "I6", []string{"system.TestF8_KilledInThePermitTransaction", "db.TestI6_NoChangeWithoutItsEntry"}},
	{"F9", "server killed after commit, before publishing", "offered by the follower after the restart", "B1", []string{"broker.TestFollowerOffers"}},
	{"F10", "Postgres restarted under load, fast and at once", "no acknowledged change lost", "I6, I7", []string{"system.TestF10_PostgresRestarts"}},
	{"F11", "Postgres gone while running", "the run goes on, taps are heard, the stop works, its end is told afterwards", "I5", []string{"system.TestF11_PostgresGoneWhileRunning"}},
	{"F12", "broker gone while running", "attendance by the other way, else pause and stop", "I9", []string{"worker.TestF12_LinkGoneWhileRunning"}},
	{"F13", "broker and server gone, stop pressed", "stopped", "I5", []string{"worker.TestF13_StopOverTheNetwork", "serve.TestI5_S31_StopOverTLSWithTheServerGone", "system.TestI5_StationAlone"}},
	{"F14", "the link to the broker half open", "the run goes on under attendance, the stop works, its end is told afterwards", "I5, I9", []string{"system.TestF14_F15_LinkSlowThenHalfOpen"}},
	{"F15", "the link to the broker slow, by a tenth of a second and by two", "starts once, or not before the link is better", "I2", []string{"system.TestF14_F15_LinkSlowThenHalfOpen", "system.TestF15_LinkTwoSecondsLate"}},
	{"F16", "a void overtakes its permit", "the void wins", "I10", []string{"worker.TestF16_VoidWins", "worker.TestF34_RandomHistories"}},
	{"F17", "a permit one second too old on the worker's clock", "refused: expired", "I12", []string{"worker.TestF17_PermitTooOld"}},
	{"F18", "the worker's wall clock jumps", "no deadline moves", "I12", []string{"worker.TestF18_NoWallClock", "worker.TestF36_Suspend"}},
	{"F19", "the server's clock is ten minutes off", "instants are the database's, permits judged by their challenge", "I12", []string{"db.TestF19_InstantsAreTheDatabases", "worker.TestF17_PermitTooOld"}},
	{"F20", "the journal's disk is full", "out of use before any motion, locked out, said so", "I2", []string{"system.TestF20_JournalDiskFull", "journal.TestF22_EveryCallFails"}},
	{"F21", "the database's disk is full", "no permit; the running run stops when told; logbook whole afterwards", "I5, I6, I7", []string{"system.TestF21_DatabaseDiskFull"}},
	{"F22", "fsync fails once", "out of use, no second try", "I2", []string{"worker.TestF22_NoMotionAfterADiskError", "journal.TestF22_EveryCallFails"}},
	{"F23", "the journal's tail torn at every length", "counts as burned; opens", "I2", []string{"journal.TestF23_TornAtEveryLength"}},
	{"F24", "the same run signed sixteen times at once", "one permit", "I1, I3", []string{"db.TestF24_OneSignOffWins"}},
	{"F25", "two servers issue for one machine", "one active run", "I3", []string{"system.TestF25_TwoServersOneMachine", "db.TestRaces"}},
	{"F26", "lockout while a permit is on its way", "worker refuses, database voids", "I8", []string{"worker.TestI8_Lockout", "db.TestI10_ChangesVoid", "db.TestI8_NoSecondGoUnderLockout"}},
	{"F27", "authorisation expires between sign-off and start", "go refused", "I10", []string{"db.TestF27_AuthorisationExpires"}},
	{"F28", "UPDATE, DELETE, TRUNCATE, MERGE on the logbook", "refused", "I7", []string{"db.TestI7_AppendOnly"}},
	{"F29", "the owner edits an old entry", "check ends with status 2 at that entry", "I7", []string{"db.TestF29_OwnerEditIsFound"}},
	{"F30", "forged and replayed statements by who may publish everything", "no motion; told", "I12", []string{"system.TestF30_ForgedStart", "broker.TestForgedMessagesAreThrownAway"}},
	{"F31", "a permit for another machine, or for a profile that changed", "refused with the reason", "I1, I10", []string{"worker.TestI1_EveryLineOfAPermitCounts", "worker.TestF31_ProfileChanges"}},
	{"F32", "no tap comes any more", "beam off in time, paused, then stopped", "I9", []string{"worker.TestI9_MissedTwice", "system.TestI9_AttendanceMissed"}},
	{"F33", "worker restarted during the purge or the fire watch", "goes on, never shorter", "I4", []string{"worker.TestF33_PurgeSurvivesRestarts", "db.TestF33_WatchCountsLooks", "checklist.TestF33_WatchIsNeverShorter"}},
	{"F34", "random histories", "the model's state; every invariant", "I1–I15", []string{"worker.TestF34_RandomHistories", "worker.TestF34_KnownHistories"}},
	{"F35", "readings flood the server, which takes none", "stops pass by a connection of their own", "I5", []string{"broker.TestF35_FloodOfReadings", "broker.TestStop"}},
	{"F36", "the host suspended", "permit dead, run interrupted", "I4, I12", []string{"worker.TestF36_Suspend"}},
	{"F37", "a stop with a slow switch", "the carriage goes on along the burned path until the beam is off", "I5", []string{"simulated.TestStopLeavesNoSpot"}},
	{"F38", "a driver's program hangs, its pipe full", "stopped by the second way, then killed", "I5", []string{"program.TestF38_HungChild", "program.TestF38_FullPipe"}},
	{"F39", "flame reported at the inspection", "lockout, incident and watch in one step", "I6", []string{"db.TestF39_FlameLocksOut", "db.TestF39_FireAtALook"}},
	{"F40", "an origin beyond the bed, or moved after the outline was traced", "not signable; the permit is taken back", "I10", []string{"checklist.TestF40_PlacedRefuses", "api.TestF40_OriginByCorner", "api.TestI10_PlacedAfterTheSignature"}},
}

// folders of the packages whose tests prove a row.
var testFolders = map[string]string{"api": "api", "checklist": "checklist", "broker": "queue/broker", "db": "db", "journal": "worker/journal", "program": "worker/driver/program", "serve": "deploy/serve", "simulated": "worker/driver/simulated",
	"system": "deploy/system", "worker": "worker"}

// Every row that has to be proven is there, and every test that it names exists and is not skipped
// outright.
func TestFaultsAreProven(t *testing.T) {
	t.Parallel()
	have := map[string]bool{}
	for folder := range testFolders {
		for name := range testsIn(t, testFolders[folder]) {
			have[folder+"."+name] = true
		}
	}
	rows := map[string]bool{}
	for _, f := range faults {
		rows[f.row] = true
		if len(f.tests) == 0 || f.state == "" || f.guards == "" {
			t.Errorf("%s: nothing proves it", f.row)
		}
		for _, name := range f.tests {
			if !have[name] {
				t.Errorf("%s: there is no test %s", f.row, name)
			}
		}
	}
	for _, row := range strings.Fields("F1 F2 F3 F4 F5 F6 F7 F8 F9 F10 F11 F12 F13 F14 F15 F16 F17 F18 F19 F20 F21 F22 F23 F24 F25 F26 F27 F28 F29 F30 F31 F32 F33 F34 F35 F36 F37 F38 F39 F40") {
		if !rows[row] {
			t.Errorf("%s has no row", row)
		}
	}
}

// testsIn gives the test functions of a folder that do more than skip.
func testsIn(t *testing.T, folder string) map[string]bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", "..", folder, "*_test.go"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no tests in %s: %v", folder, err)
	}
	found := map[string]bool{}
	for _, file := range files {
		source, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file, source, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range parsed.Decls {
			f, ok := d.(*ast.FuncDecl)
			if ok && f.Recv == nil && strings.HasPrefix(f.Name.Name, "Test") && len(f.Body.List) > 1 {
				found[f.Name.Name] = true
			}
		}
	}
	return found
}
