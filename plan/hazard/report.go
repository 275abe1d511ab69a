package hazard

import "time"

// Law is whose rules about reporting an incident a site's officer has chosen; whether they cover
// volunteers and visitors is for that officer to find out.
type Law string

// The laws that are known here. LawOther stands for every other.
const (
	LawUS    Law = "US, 29 CFR 1904"
	LawUK    Law = "GB, RIDDOR 2013"
	LawOther Law = "other"
)

// Harm is what came of an incident, as far as it is known.
type Harm struct {
	Death    bool
	Admitted bool // to a hospital as an in-patient
	LostPart bool // amputation, or the loss of an eye
	Hospital bool // taken from the site to a hospital for treatment
	Visitor  bool // who was hurt is no worker of the site
	Eye      bool // an eye may have been exposed to a beam
	DaysOff  int64
	// Dangerous is an occurrence that could have killed, such as a fire that stopped work.
	Dangerous bool
}

// Deadline is one report that may be due. Within is counted from the incident; zero is "without delay".
type Deadline struct {
	Within time.Duration
	What   string
	Source string
}

const day = 24 * time.Hour

// Deadlines lists what may have to be reported, earliest first. An empty list never means that nothing
// has to be: the law of the place decides, and whoever is in charge asks. Sources: 29 CFR 1904.39 (8 h and
// 24 h); RIDDOR 2013, regulations 4 to 7 and schedule 1. The seven days of Form 301 (29 CFR 1904.29) are
// from memory.
func Deadlines(l Law, h Harm) []Deadline {
	var list []Deadline
	add := func(applies bool, within time.Duration, what, source string) {
		if applies {
			list = append(list, Deadline{Within: within, What: what, Source: source})
		}
	}
	switch l {
	case LawUS:
		const source = "29 CFR 1904.39"
		add(h.Death, 8*time.Hour, "a death", source)
		add(h.Admitted, day, "a stay in hospital as an in-patient", source)
		add(h.LostPart, day, "an amputation or the loss of an eye", source)
		add(h.Death || h.Admitted || h.LostPart || h.Hospital || h.DaysOff > 0, 7*day, "the injury record (form 301)", "29 CFR 1904.29, from memory")
	case LawUK:
		const source = "RIDDOR 2013"
		add(h.Death, 0, "a death; in writing within 10 days", source)
		add(h.LostPart, 0, "a specified injury; in writing within 10 days", source)
		add(h.Dangerous, 0, "a dangerous occurrence; in writing within 10 days", source)
		add(h.Visitor && h.Hospital, 0, "somebody who is no worker, taken to hospital for treatment; in writing within 10 days", source)
		add(h.DaysOff > 7, 15*day, "more than seven days off normal work", source)
	}
	return list
}
