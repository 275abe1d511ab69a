package hazard

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestDeadlines holds the clock to what the texts say: 29 CFR 1904.39(a)(1) eight hours for a death,
// (a)(2) twenty-four for an in-patient stay, an amputation or the loss of an eye; RIDDOR 2013 regulation
// 4(2) fifteen days for more than seven days off, regulation 5 for somebody who is not at work there.
func TestDeadlines(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name     string
		law      Law
		harm     Harm
		earliest time.Duration // −1 for none known
	}{
		{"1904.39(a)(1)", LawUS, Harm{Death: true}, 8 * time.Hour},
		{"1904.39(a)(2) stay", LawUS, Harm{Admitted: true}, 24 * time.Hour},
		{"1904.39(a)(2) part", LawUS, Harm{LostPart: true}, 24 * time.Hour},
		{"first of two", LawUS, Harm{Death: true, Admitted: true}, 8 * time.Hour},
		{"visit without a stay", LawUS, Harm{Hospital: true}, 7 * day},
		{"reg. 6", LawUK, Harm{Death: true}, 0},
		{"reg. 5", LawUK, Harm{Visitor: true, Hospital: true}, 0},
		{"a worker in hospital", LawUK, Harm{Hospital: true}, -1},
		{"reg. 4(2)", LawUK, Harm{DaysOff: 8}, 15 * day},
		{"seven days", LawUK, Harm{DaysOff: 7}, -1},
		{"reg. 7", LawUK, Harm{Dangerous: true}, 0},
		{"elsewhere", LawOther, Harm{Death: true}, -1},
	} {
		got := Deadlines(x.law, x.harm)
		if x.earliest < 0 {
			if len(got) != 0 {
				t.Errorf("%s: %+v", x.name, got)
			}
			continue
		}
		if len(got) == 0 || got[0].Within != x.earliest || got[0].Source == "" {
			t.Errorf("%s: %+v, want %v first", x.name, got, x.earliest)
		}
	}
}

// TestDeadlines_Monotonic: more harm never brings a later first deadline.
func TestDeadlines_Monotonic(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		harm := func() Harm {
			b := rapid.Bool()
			return Harm{Death: b.Draw(t, "death"), Admitted: b.Draw(t, "admitted"), LostPart: b.Draw(t, "part"), Hospital: b.Draw(t, "hospital"),
				Visitor: b.Draw(t, "visitor"), Dangerous: b.Draw(t, "dangerous"), DaysOff: rapid.Int64Range(0, 20).Draw(t, "days")}
		}
		a, b := harm(), harm()
		both := Harm{Death: a.Death || b.Death, Admitted: a.Admitted || b.Admitted, LostPart: a.LostPart || b.LostPart, Hospital: a.Hospital || b.Hospital,
			Visitor: a.Visitor || b.Visitor, Dangerous: a.Dangerous || b.Dangerous, DaysOff: max(a.DaysOff, b.DaysOff)}
		law := rapid.SampledFrom([]Law{LawUS, LawUK}).Draw(t, "law")
		less, more := Deadlines(law, a), Deadlines(law, both)
		if len(less) > 0 && (len(more) == 0 || more[0].Within > less[0].Within) {
			t.Fatalf("%+v: %+v, with more %+v: %+v", a, less, both, more)
		}
		for i := 1; i < len(more); i++ {
			if more[i].Within < more[i-1].Within {
				t.Fatalf("not in order: %+v", more)
			}
		}
	})
}
