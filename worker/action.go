package worker

import (
	"time"

	"github.com/google/uuid"

	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// action is something that the shell does for the core.
type action interface{}

type (
	// doWrite appends facts and numbered reports to the journal with one fsync; evWritten follows.
	doWrite struct {
		tag     string
		facts   []journal.Fact
		reports []broker.Report
		after   func(error)
	}
	doApplied  struct{ number int64 }
	doOutOfUse struct{}

	doChallenge struct{ answer broker.ChallengeAnswer }
	doTaken     struct{ taken broker.Taken }
	doSetupTell struct {
		result        broker.SetupResult
		moving, where bool // put in where the carriage is on its way, or where it stands
	}

	doPrepare struct {
		offer   broker.Offer
		profile machine.Profile
		digest  canon.Digest
	}
	doForget struct{ plan canon.Digest }
	doAdopt  struct {
		digest canon.Digest
		data   []byte
	}

	doRead struct { // evPlan follows
		run  uuid.UUID
		plan canon.Digest
	}
	doReset  struct{}                // evReset follows
	doLook   struct{ run uuid.UUID } // evLooked follows
	doStream struct {                // evToolOn, evStreamEnded follow
		run    uuid.UUID
		plan   *plan.Plan
		origin geom.Point
	}
	doHalt   struct{}
	doDisarm struct{}
	doHold   struct{ run uuid.UUID } // evHeld follows when it fails
	doGoOn   struct{ run uuid.UUID } // evWentOn follows
	doSheet  struct{ run uuid.UUID } // evSheet follows

	doGrip struct { // evGripped follows
		command broker.SetupCommand
		profile machine.Profile
		leave   canon.Digest
	}
	doCarry struct { // evCarried follows
		way     geom.Point
		fine    bool
		around  []geom.Point // corners of a trace in place of the way
		profile machine.Profile
		until   time.Duration
	}
	doHoldUntil struct{ until time.Duration } // zero: let go

	doSetup struct { // evSetupDone follows
		command broker.SetupCommand
		profile machine.Profile
		leave   canon.Digest
	}
)
