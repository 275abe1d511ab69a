package api

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
)

// particular is one thing that is asked about an incident, as forms and pages call it.
type particular struct {
	name, label, hint string
	text              func(*db.Particulars) *string // one of these three
	yes               func(*db.Particulars) *bool
	days              func(*db.Particulars) *int64
}

// particularsAsked are the particulars in the order in which people tell them. What is asked follows the injury record of
// 29 CFR 1904.29 (form 301; from memory), with what a fire and a machine need beside it.
var particularsAsked = []particular{
	{name: "hurt", label: "Who was hurt", hint: "a name; only officers and admins read it", text: func(p *db.Particulars) *string { return &p.Hurt }},
	{name: "visitor", label: "A visitor or member, no worker of the site", yes: func(p *db.Particulars) *bool { return &p.Visitor }},
	{name: "injury", label: "Injury, and which part of the body", text: func(p *db.Particulars) *string { return &p.Injury }},
	{name: "harmed_by", label: "What harmed", hint: "object, beam or substance", text: func(p *db.Particulars) *string { return &p.HarmedBy }},
	{name: "treatment", label: "Treatment", hint: "by whom, where", text: func(p *db.Particulars) *string { return &p.Treatment }},
	{name: "hospital", label: "Taken to a hospital for treatment", yes: func(p *db.Particulars) *bool { return &p.Hospital }},
	{name: "admitted", label: "Stayed in hospital", yes: func(p *db.Particulars) *bool { return &p.AdmittedStay }},
	{name: "lost_part", label: "Amputation, or an eye lost", yes: func(p *db.Particulars) *bool { return &p.LostPart }},
	{name: "days_off", label: "Days off normal work", hint: "whole days", days: func(p *db.Particulars) *int64 { return &p.DaysOff }},
	{name: "doing", label: "What they were doing just before", text: func(p *db.Particulars) *string { return &p.Doing }},
	{name: "witnesses", label: "Witnesses", hint: "names", text: func(p *db.Particulars) *string { return &p.Witnesses }},
	{name: "damage", label: "Damage", text: func(p *db.Particulars) *string { return &p.Damage }},
	{name: "put_out_with", label: "A fire was put out with", text: func(p *db.Particulars) *string { return &p.PutOutWith }},
	{name: "interlock", label: "State of lid and interlock", text: func(p *db.Particulars) *string { return &p.Interlock }},
	{name: "airflow", label: "State of the air", hint: "gauge or flow, with the unit", text: func(p *db.Particulars) *string { return &p.Airflow }},
	{name: "emergency_stop", label: "The machine’s red button", hint: "pressed or not, when", text: func(p *db.Particulars) *string { return &p.EmergencyStop }},
	{name: "measures", label: "What was done at once", text: func(p *db.Particulars) *string { return &p.Measures }},
}

// atOnce are those that a report asks for; an officer fills in the rest.
var atOnce = map[string]bool{"hurt": true, "injury": true, "harmed_by": true, "treatment": true, "hospital": true, "witnesses": true, "put_out_with": true, "emergency_stop": true, "measures": true}

// knownOf reads from a form how bad it was and the particulars.
func knownOf(c echo.Context) (k db.Known, err error) {
	k.Severity, k.Potential = c.FormValue("severity"), c.FormValue("potential")
	p := &k.Particulars
	for _, a := range particularsAsked {
		said := strings.TrimSpace(c.FormValue(a.name))
		switch {
		case a.text != nil:
			*a.text(p) = said
		case a.yes != nil:
			*a.yes(p) = said == "yes"
		case said != "":
			if *a.days(p), err = strconv.ParseInt(said, 10, 64); err != nil {
				return k, invalid(a.name, "days off are a whole number", "count whole days off normal work")
			}
		}
	}
	return k, nil
}

// particularFields draws a form of them as they stand; which leaves some out.
func particularFields(p db.Particulars, which func(name string) bool) []web.ParticularField {
	var list []web.ParticularField
	for _, a := range particularsAsked {
		if !which(a.name) {
			continue
		}
		f := web.ParticularField{Name: a.name, Label: a.label, Hint: a.hint}
		switch {
		case a.text != nil:
			f.Value = *a.text(&p)
		case a.yes != nil:
			f.Yes, f.Ticked = true, *a.yes(&p)
		default:
			if f.Number = true; *a.days(&p) > 0 {
				f.Value = strconv.FormatInt(*a.days(&p), 10)
			}
		}
		list = append(list, f)
	}
	return list
}

// particulars are those that were said.
func particulars(p db.Particulars) []web.Fact {
	var list []web.Fact
	for _, a := range particularsAsked {
		said := ""
		switch {
		case a.text != nil:
			said = *a.text(&p)
		case a.yes != nil && *a.yes(&p):
			said = "yes"
		case a.days != nil && *a.days(&p) > 0:
			said = strconv.FormatInt(*a.days(&p), 10)
		}
		if said != "" {
			list = append(list, web.Fact{Name: a.label, Said: said})
		}
	}
	return list
}

// fillInForm is POST /incidents/:id/particulars.
func (s *Server) fillInForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	rev, err := strconv.ParseInt(c.FormValue("rev"), 10, 64)
	if err != nil {
		return malformed("the form has no rev")
	}
	k, err := knownOf(c)
	if err == nil {
		err = s.store.FillIn(ctx, actorIn(ctx), id, rev, k)
	}
	return s.changedIncident(c, err)
}

// linkRunForm is POST /incidents/:id/run.
func (s *Server) linkRunForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	run, err := s.runNumbered(ctx, strings.TrimSpace(c.FormValue("run")))
	if err != nil {
		return s.changedIncident(c, invalid("run", "no run has that number", "look for it in the history"))
	}
	return s.changedIncident(c, s.store.LinkRun(ctx, actorIn(ctx), id, run))
}

// clockWords says until when the earliest report may be due, and that somebody has to ask: nothing here says that
// no report is due.
func clockWords(list []web.DeadlineRow) string {
	if len(list) == 0 {
		return "By what is filled in, none of the rules known here sets a time. That is no word that nothing is due: ask."
	}
	first := list[0]
	for _, d := range list[1:] {
		if d.AtOnce && !first.AtOnce || !first.AtOnce && d.Until.Before(first.Until) {
			first = d
		}
	}
	if first.AtOnce {
		return "Earliest: without delay. Ask now."
	}
	return fmt.Sprintf("Earliest: %s. Ask before then.", first.Until.Format("Mon 2 Jan 2006, 15:04 MST"))
}
