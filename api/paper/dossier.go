package paper

import (
	"fmt"
	"io"
	"strings"

	"kerfgate/api/web"
	"kerfgate/plan"
)

// Dossier is everything that is kept about one run, to be written on paper.
type Dossier struct {
	View   web.DossierView
	Plan   *plan.Plan
	Sheet  []byte   // PNG of the sheet after the run; nil for none
	Photos [][]byte // JPEG, as the view lists them
	Proofs [][]byte // one an entry of the view
}

const (
	instant = "2 Jan 2006 15:04:05 MST"
	minute  = "2 Jan 2006 15:04 MST"
	day     = "2 January 2006"
)

// Write writes the document. It bears the date of the head that its entries are proven under, so that the same
// dossier is the same bytes whenever it is written.
func (d Dossier) Write(w io.Writer) error {
	v := d.View
	at := v.SignedAt
	if v.Head != nil {
		at = v.Head.At
	}
	s, err := begin(fmt.Sprintf("Dossier of run %d", v.Number), fmt.Sprintf("Dossier of run %d · %s. A record of what was answered and done; no proof that anything was without danger.", v.Number, v.JobTitle), at)
	if err != nil {
		return err
	}
	s.text(bold, 18, 0, fmt.Sprintf("Dossier of run %d", v.Number))
	s.Ln(1)
	s.para(fmt.Sprintf("%s, handed in by %s; %s, lot %s, on %s with the %s.", v.JobTitle, v.Member, v.Material, v.Lot, v.Machine.Label(), v.Tool))
	if v.Head != nil {
		s.para(fmt.Sprintf("As it stands in the logbook of %s, head of %d entries, signed %s. Later edits are additions with their own date; nothing that stood then was altered.", v.Head.Origin, v.Head.Size, v.Head.At.Format(instant)))
	}
	d.happened(s)
	d.answers(s)
	d.planned(s)
	d.surroundings(s)
	d.incidents(s)
	d.log(s)
	if s.lacking {
		s.para(string(missing) + " stands for a letter that the face of this document has not; the dossier as data has it.")
	}
	return s.end(w)
}

func (d Dossier) happened(s *sheet) {
	v := d.View
	s.heading("What happened")
	s.para(v.Words)
	if v.StartedAt != nil {
		s.fact("began", v.StartedAt.Format(instant))
	}
	if v.EndedAt != nil {
		s.fact("closed", v.EndedAt.Format(instant))
	}
	s.fact("attended by", v.Operator)
	s.fact("time planned", web.Duration(v.PlannedMS))
	if v.RealMS > 0 {
		real := web.Duration(v.RealMS)
		if v.Simulated != "" {
			real += " (" + v.Simulated + ")"
		}
		s.fact("time it really took", real)
	}
	s.fact("origin", v.Origin)
	s.fact("sheet", v.SheetFate)
	if v.Flame {
		s.fact("inspection", "flame or glow was seen")
	}
	if d.Sheet != nil {
		s.picture("sheet", "The sheet after the run, as the machine recorded it.", d.Sheet, 90)
	}
	for i, photo := range d.Photos {
		s.picture(fmt.Sprint("photo ", i), "Photo of an incident of this run, kept "+v.Photos[i].At.Format(instant)+".", photo, 100)
	}
}

func (d Dossier) answers(s *sheet) {
	v := d.View
	if len(v.Answers) == 0 {
		return
	}
	s.heading("Answers as they were signed, " + v.SignedAt.Format(instant))
	for _, a := range v.Answers {
		if a.Said == "" { // shown and bound, and no question
			s.under(a.Title)
		}
		s.fact(a.Title, a.Said)
		if a.Needs != "" {
			s.small("needed: " + a.Needs)
		}
		for _, n := range a.Numbers {
			s.small(n)
		}
	}
	if a := v.Authorisation; a != nil {
		s.under("Authorisation of the operator")
		by := ""
		if a.GrantedBy != "" {
			by = " by " + a.GrantedBy
		}
		s.para(fmt.Sprintf("%s, granted %s%s, until %s; %s.", a.Machine, a.GrantedAt.Format(day), by, a.Until.Format(day), a.Evidence))
		if v.WithdrawnAt != nil {
			s.para("Withdrawn since, " + v.WithdrawnAt.Format(instant) + ".")
		}
	}
}

func (d Dossier) planned(s *sheet) {
	v := d.View
	s.heading("What was planned")
	s.drawing(d.Plan, 150)
	var legend []string
	for _, l := range v.Plan.Legend {
		legend = append(legend, l.Words+" "+lineWords[l.Operation])
	}
	s.small(strings.Join(legend, "; ") + ".")
	s.Ln(1)
	for _, n := range v.Plan.Numbers {
		s.fact(n.Name, n.Value)
		for _, in := range n.Inputs {
			s.small(in)
		}
	}
	for _, w := range v.Plan.Warnings {
		s.fact("warning", join(". ", w.What, w.Value, w.Next))
	}
	for _, e := range v.Estimate {
		s.under("Expected concentration, an estimate for the person in charge alone")
		if e.WhyNot != "" {
			s.para("None; " + e.WhyNot)
			continue
		}
		s.para("About " + e.Shown + ", with the machine’s flow as it stood then. Nobody measured it, nobody knows how well the air mixes, and it proves no limit kept.")
		s.small(e.Formula + ", with " + strings.Join(e.Inputs, ", ") + "; " + e.Origin)
		for _, n := range e.Notes {
			s.small(n)
		}
	}
	for _, id := range []struct{ name, digest string }{{"plan", v.PlanDigest}, {"drawing", v.DrawingID}, {"profile of the machine", v.ProfileDigest}} {
		s.text(mono, smallPt, 0, id.name+" "+id.digest)
	}
	s.text(mono, smallPt, 0, "planner "+v.Plan.Planner)
}

// lineWords says how each operation is drawn.
var lineWords = map[string]string{"cut": "solid and thick", "mark": "dashed", "engrave": "some of its level lines", "draw": "thin", "travel": "dotted",
	"piece": "enclosed", "drop-out": "hatched", "hot-spot": "crossed circle"}

func (d Dossier) surroundings(s *sheet) {
	v := d.View
	s.heading("The machine in those days")
	s.under("Upkeep before the run")
	for _, u := range v.Upkeep {
		what := u.What
		if u.Critical {
			what += " (for safety)"
		}
		if u.DoneAt == nil {
			s.para(what + ": not yet done")
		} else {
			s.para(fmt.Sprintf("%s: %s, %s: %s", what, u.DoneAt.Format(minute), u.By, u.Note))
		}
	}
	s.none(len(v.Upkeep), "None was set.")
	s.under("Lockouts within a day of the run")
	for _, l := range v.Lockouts {
		text := l.SetAt.Format(minute)
		if l.SetBy != "" {
			text += " by " + l.SetBy
		}
		text += ": " + l.Reason
		if l.LiftedAt != nil {
			text += fmt.Sprintf("; lifted %s by %s: %s", l.LiftedAt.Format(minute), l.LiftedBy, l.LiftedReason)
		}
		s.para(text)
	}
	s.none(len(v.Lockouts), "None.")
	s.under("Fire watch")
	for _, w := range v.Watches {
		text := fmt.Sprintf("%s, %s until %s", w.Watcher, w.OpenedAt.Format(minute), w.Until.Format(minute))
		if w.ClosedAt != nil {
			text += "; ended " + w.ClosedAt.Format(minute)
		}
		s.para(text)
		for _, l := range w.Looks {
			saw := "nothing"
			if l.Fire {
				saw = "smoke, glow or flame"
			}
			s.small(l.At.Format(instant) + ", " + l.By + ": " + saw)
		}
	}
	s.none(len(v.Watches), "None.")
}

func (d Dossier) incidents(s *sheet) {
	v := d.View
	s.heading("Incidents of this run, with what was added since")
	for _, i := range v.Incidents {
		s.under(web.Sentence(i.Kind) + ", " + i.At.Format(minute))
		s.para(i.What)
		s.fact("how bad it was", i.Severity)
		s.fact("could have been", i.Potential)
		for _, p := range i.Particulars {
			s.fact(p.Name, p.Said)
		}
		for _, n := range i.Notes {
			s.fact(n.About+", "+n.At.Format(day), n.Text+" ("+n.By+")")
		}
		for _, f := range i.FollowUps {
			text := fmt.Sprintf("%s (%s); %s, until %s", f.What, f.Remedy, f.Owner, f.Due.Format(day))
			if f.Done {
				text += "; done by " + f.DoneBy + ": " + f.Result
			}
			s.fact("follow-up", text)
		}
		if i.Closed {
			s.fact("closed", i.Closing)
		}
	}
	s.none(len(v.Incidents), "None is tied to this run.")
}

func (d Dossier) log(s *sheet) {
	v := d.View
	s.heading("The logbook about this run")
	for i, e := range v.Entries {
		s.room(2 * line)
		s.text(regular, textPt, 0, fmt.Sprintf("%d   %s   %s: %s", e.Index, e.At.Format(instant), e.Who, e.What))
		if len(e.More) > 0 {
			s.small(strings.Join(e.More, "; "))
		}
		s.text(mono, 6, 4, hashes(d.Proofs[i]))
	}
	h := v.Head
	if h == nil {
		s.para("There is none.")
		return
	}
	s.under("Head under which these entries are proven")
	s.para("Under each entry stand the hashes of its proof (RFC 6962, 2.1.1), from the leaf to the root; the data has each as a file that is checked offline.")
	const wide = 52.0
	s.room(wide + 10)
	x, y := margin+width-wide-4, s.GetY()
	s.code(h.Note, x, y+4, wide)
	s.face(mono, smallPt)
	s.SetXY(margin, y)
	s.MultiCell(width-wide-14, line*0.9, s.shown(mono, h.Note), "", "L", false)
	s.Ln(2)
	s.MultiCell(width-wide-14, line*0.9, s.shown(mono, "root, to read aloud:\n"+strings.Join(h.Groups, "\n")), "", "L", false)
	s.SetY(max(s.GetY(), y+wide+8))
	s.fact("signed", h.At.Format(instant))
	s.fact("key", h.KeyName+" "+h.KeyID)
}

// hashes are those of a C2SP tlog-proof, three a line.
func hashes(proof []byte) string {
	lines := strings.Split(string(proof), "\n")
	var all []string
	for _, l := range lines[min(2, len(lines)):] {
		if l == "" {
			break
		}
		all = append(all, l)
	}
	var text strings.Builder
	for i, h := range all {
		if i > 0 && i%3 == 0 {
			text.WriteByte('\n')
		} else if i > 0 {
			text.WriteByte(' ')
		}
		text.WriteString(h)
	}
	return text.String()
}

func (s *sheet) none(n int, words string) {
	if n == 0 {
		s.para(words)
	}
}

func join(between string, parts ...string) string {
	var all []string
	for _, p := range parts {
		if p != "" {
			all = append(all, p)
		}
	}
	return strings.Join(all, between)
}
