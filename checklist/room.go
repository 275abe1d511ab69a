package checklist

import (
	"fmt"
	"strings"

	"kerfgate/plan/machine"
)

// An open beam is possible only where its hazard zone is the room and the room is controlled: door shut and
// marked, windows covered, everybody inside counted, each with a pair that fits. A lid counts as an enclosure
// only where its interlock takes the beam away by itself.

// OpenBeam says whether the beam can be reached while it is on.
func OpenBeam(p machine.Profile, tool machine.Tool) bool {
	return tool.Kind == machine.ToolBeam && !(p.Enclosure.Kind == machine.EnclosureLidded && p.Enclosure.Interlock)
}

// mostInside bounds the people counted in a workshop's room, against slips of the finger.
const mostInside = 50

func roomItem() Item {
	return Item{Key: ItemRoom, Title: "Room controlled", Core: true,
		Ask: "walk to the door: shut it, see the sign on it and the covers on the windows, and count everybody inside, yourself included",
		Fields: []Field{
			{Key: "covered", Title: "windows covered, door marked", Kind: FieldYes, Standing: true},
			{Key: "people", Title: "people inside, you included", Kind: FieldNumber},
			{Key: "pairs", Title: "of them with a pair on that fits", Kind: FieldNumber},
			{Key: "door", Title: "door shut", Kind: FieldYes},
		}}
}

// openSheets are what may go under a beam that nothing encloses, with the longest way of the beam: paper and
// card, and light wood for marking. The kinds are a published workshop's practice; the length is the project's
// own figure.
const longestOpenUM = 20_000_000

func roomNeeds(f Facts) string {
	text := "door shut and marked, windows covered; everybody inside counted, each with a pair that fits"
	if n := len(fitting(f)); n > 0 {
		text += fmt.Sprintf(" (the register has %d)", n)
	}
	return text
}

func roomProblem(v Values, f Facts) (what, next string) {
	people, err := decimal(v["people"], 0)
	if err != nil || people < 1 || people > mostInside || v["people"] != fmt.Sprint(people) {
		return fmt.Sprintf("%.20q is no count of people from 1 to %d", v["people"], mostInside), "count everybody inside, yourself included"
	}
	pairs, err := decimal(v["pairs"], 0)
	switch {
	case err != nil || v["pairs"] != fmt.Sprint(pairs) || pairs > people:
		return fmt.Sprintf("%.20q is no count of up to %d", v["pairs"], people), "count those who have a pair on that fits this beam"
	case pairs < people:
		return fmt.Sprintf("%d of %d people inside have a pair on that fits", pairs, people), "give each a pair that fits, or have them leave and count again"
	}
	if n := int64(len(fitting(f))); n > 0 && people > n {
		return fmt.Sprintf("%d people are inside, and the register has %d pairs that fit", people, n), "have those without a pair of the register leave, and count again"
	}
	return "", ""
}

// OpenRefusals lists what an open beam must not be given whatever is answered.
func OpenRefusals(f Facts) []Reason {
	if !OpenBeam(f.Profile, f.Tool) || f.Profile.Enclosure.Kind == machine.EnclosureLidded {
		return nil
	}
	var no []Reason
	words := materialWords(f.Material)
	holds := func(list ...string) bool {
		for _, w := range list {
			if strings.Contains(words, w) {
				return true
			}
		}
		return false
	}
	wood := holds("wood", "ply", "veneer", "bamboo", "cork")
	switch paper := holds("paper", "card"); {
	case !paper && !wood:
		no = append(no, Reason{What: f.Material.Name + " is not for a beam that nothing encloses: paper, card, and light wood for marking are",
			Next: "take a machine with an enclosure, or another material"})
	case wood && !paper && f.Circumstances.CutUM > 0:
		no = append(no, Reason{What: "a beam that nothing encloses marks light wood and does not cut it",
			Next: "mark it here, or cut it on a machine with an enclosure"})
	}
	if um := f.Circumstances.CutUM + f.Circumstances.MarkUM + f.Circumstances.EngraveUM; um > longestOpenUM {
		no = append(no, Reason{What: fmt.Sprintf("the beam would work %d m of lines without an enclosure; at most %d m (own figure)", (um+999_999)/1_000_000, longestOpenUM/1_000_000),
			Next: "split the job, or take a machine with an enclosure"})
	}
	return no
}
