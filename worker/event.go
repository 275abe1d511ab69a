package worker

import (
	"kerfgate/checklist/permit"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"
)

// event is something that happened; see core.step.
type event interface{}

type (
	evStart     struct{}
	evTick      struct{}
	evShutdown  struct{}
	evListening struct{ up bool }
	// evProfile is the profile that was in force when the worker last ran.
	evProfile struct {
		digest canon.Digest
		data   []byte
	}

	// From the server. Statements have been opened with the server's key.
	evState struct{ state broker.State }
	evOffer struct {
		offer broker.Offer
		done  func(error) // to be called once the result is in the journal
	}
	evChallenge struct{ ask broker.ChallengeAsk }
	evPermit    struct {
		statement permit.Permit
		digest    canon.Digest
	}
	evForged   struct{ digest canon.Digest } // a permit that the server's key did not sign
	evGo       struct{ statement permit.Go }
	evVoid     struct{ statement permit.Void }
	evResume   struct{ statement permit.Resume }
	evHandover struct{ statement permit.Handover }
	evApplied  struct{ statement permit.Applied }
	evLogKeys  struct{ keys note.Verifiers } // the log key was replaced
	evLockout  struct {
		statement permit.Lockout
		note      []byte
	}
	evSetup struct {
		leave   permit.Leave
		digest  canon.Digest
		command broker.SetupCommand
	}

	// From people at the machine.
	evTap struct {
		token []byte
		done  func(tapResult)
	}
	evPause struct{ reason string }
	evStop  struct {
		// offSentMS is from the stop's arrival to the driver having sent off; failed if it could not.
		offSentMS int64
		failed    bool
	}

	// From the machine and the disk.
	evAdopted struct {
		profile machine.Profile
		digest  canon.Digest
		down    bool // the profile is in force, the machine does not answer
		err     error
	}
	evMachine  struct{ event driver.Event }
	evPrepared struct {
		offer  broker.Offer
		reason string // empty: ready
	}
	evPlan struct {
		run  uuid.UUID
		plan *plan.Plan // nil: not readable
	}
	evReset   struct{ err error }
	evWritten struct {
		tag string
		err error
	}
	evLooked struct {
		status  driver.Status
		err     error
		stopped bool
	}
	evToolOn      struct{ run uuid.UUID }
	evStreamEnded struct {
		run     uuid.UUID
		err     error
		stillOn bool
	}
	evHeld struct {
		run uuid.UUID
		err error
	}
	evWentOn struct {
		run uuid.UUID
		err error
	}
	evSheet struct {
		run   uuid.UUID
		sheet *driver.Sheet
	}
	evSetupDone struct{ result broker.SetupResult }
	evGripped   struct {
		command broker.SetupCommand
		result  broker.SetupResult
	}
	evCarried struct {
		result broker.SetupResult
		left   []geom.Point // corners of a trace that were not reached
	}
)

// Tags of writes that a step waits for.
const (
	tagBurn    = "burn"
	tagStarted = "started"
)
