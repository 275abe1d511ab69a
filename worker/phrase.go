package worker

// Phrases are all that a report's reason, a problem of a challenge or of a set-up may say: lower
// case, no full stop, no names, no free text.
const (
	// Why a permit is refused before it is burned, or a challenge is not given.
	phraseSignature   = "not signed by the server's key"
	phraseMachine     = "made for another machine"
	phraseKey         = "made for another worker's key"
	phraseEpoch       = "another server epoch: accept it at the machine"
	phraseDoubt       = "the server's logbook does not follow from the head kept here"
	phraseNoEpoch     = "the server has not been heard yet"
	phraseChallenge   = "does not answer the newest challenge"
	phraseExpired     = "expired"
	phraseNotPrepared = "the run is not prepared here"
	phrasePlan        = "another plan than the one prepared"
	phrasePlanGone    = "the plan is not readable on the worker's disk"
	phraseProfile     = "another profile than the one in force here"
	phrasePlacement   = "the placement leaves the travel or meets a hard stop"
	phraseTool        = "the profile has no such tool"
	phraseLocked      = "the machine is locked out"
	phraseOldLog      = "older than the newest lockout statement"
	phraseCutOff      = "the cut-off is untested or slower than a second"
	phraseAttendance  = "a beam without attendance"
	phraseBurned      = "burned before"
	phraseBusy        = "the machine is busy"
	phraseVoided      = "voided"
	phraseOutOfUse    = "the journal is out of use: a person must look"

	// Why a run ended.
	phraseStop         = "stopped by a person"
	phraseStopFailed   = "stopped by a person; the driver could not send off"
	phraseMachineStop  = "stopped at the machine"
	phraseSecondMiss   = "attendance missed again"
	phrasePausedLong   = "paused too long"
	phrasePlaceLost    = "the machine lost its place while paused"
	phrasePlaceByHand  = "the machine lost its place while paused, and an axis is placed by hand"
	phraseSuspend      = "the host was suspended"
	phraseRestart      = "the worker was restarted"
	phraseShutdown     = "the worker was shut down"
	phraseLost         = "the machine does not answer"
	phraseAlarm        = "the machine reports an alarm"
	phraseRefusedLine  = "the machine refused a line"
	phraseStillOn      = "the tool was on after the last stroke"
	phraseHoldFailed   = "the machine could not be paused"
	phraseGoOnFailed   = "the machine could not go on"
	phraseGoOnRefused  = "the machine does not go on: look at lid, flow and alarm"
	phraseNoGo         = "no go within the time"
	phraseGoRefused    = "the server refused the burn"
	phraseNotHomed     = "the axes have no place"
	phraseToolOn       = "the tool was on before the run"
	phraseListener     = "stop and attendance are not reachable"
	phraseStalled      = "too late after the permit"
	phraseDriverFailed = "the driver could not be made ready"

	// Why a run paused.
	phrasePerson = "paused by a person"
	phraseMissed = "attendance missed"
	phraseLid    = "lid open"
	phraseFlow   = "flow low"
	// What a paused machine needs before it goes on.
	phraseNoPlace     = "the machine lost its place: Resume homes it again, tool off, or press Stop run"
	phraseNoPlaceHand = "the machine lost its place and an axis is placed by hand: press Stop run"
	phraseHomedAgain  = "the machine homed again: look whether sheet and carriage are as they were, then resume, or press Stop run"

	phraseSlowLink  = "messages of the broker were lost"
	phraseCompleted = ""

	// Why a run is not ready.
	phraseNoProfile = "the worker has no profile yet"
	phraseNotPulled = "the plan could not be pulled from the server"
	phraseTooLarge  = "the plan is larger than the worker takes"
	phraseDigest    = "the plan's bytes do not have its digest"
	phraseForm      = "the plan is malformed"
	phraseExtents   = "the extents are larger than the travel"

	// Why a set-up command was not carried out.
	phraseNumber  = "an older command than the last one"
	phraseCommand = "unknown command"
	phraseTravel  = "the move leaves the travel"
	phraseEdge    = "the travel ends here"
	phraseLetGo   = "nobody holds this move any more"
	phraseSilent  = "the station was silent while it held a move"
	phraseSpan    = "the measured span is not the one in the profile"
	phraseByHand  = "an axis that is placed by hand was not said to stand on its mark"
)
