package broker

import "github.com/google/uuid"

// Grants is what one key may publish and subscribe to; everything else is denied. Replies to
// unknown subjects are not among it: there is no allow-responses.
type Grants struct {
	Publish   []string
	Subscribe []string
}

// WorkerGrants is what the worker of a machine may do, and all that it may do. It makes no streams
// or consumers: a subscribe grant does not filter what a consumer hands out, so the consumer's name
// in the subject is what keeps machines apart.
func WorkerGrants(m uuid.UUID) Grants {
	token := Token(m)
	return Grants{
		Publish: []string{
			consumerInfoSubject(OfferStream, token),
			consumerNextSubject(OfferStream, token),
			"$JS.ACK." + OfferStream + "." + token + ".>",
			ReportSubject(m),
			AskSubject(m, ">"),
			ReadingSubject(m),
		},
		Subscribe: []string{
			ChallengeSubject(m),
			PermitSubject(m),
			GoSubject(m),
			VoidSubject(m),
			ResumeSubject(m),
			HandoverSubject(m),
			SetupSubject(m),
			LockoutSubject(m),
			AppliedSubject(m),
			StopSubject(m),
			StopAllSubject,
			PauseSubject(m),
			WakeSubject(m),
			InboxPrefix(m) + ".>",
		},
	}
}

func consumerInfoSubject(stream, consumer string) string {
	return "$JS.API.CONSUMER.INFO." + stream + "." + consumer
}

func consumerNextSubject(stream, consumer string) string {
	return "$JS.API.CONSUMER.MSG.NEXT." + stream + "." + consumer
}
