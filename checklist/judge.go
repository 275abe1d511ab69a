package checklist

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// StandingFor is how long standing answers hold.
const StandingFor = 4 * time.Hour

// Judge draws one item's bar: what it needs, what was given, and whether it passes. It never asks
// for values that this stock or tool does not call for.
func Judge(item Item, given Values, standing Values, f Facts) Bar {
	bar := Bar{Item: trimmed(item, given, standing, f), Needs: needs(item, f), Values: Values{}}
	for _, field := range bar.Item.Fields {
		value := strings.TrimSpace(given[field.Key])
		if value == "" && field.Standing {
			if value = standing[field.Key]; value != "" {
				bar.Standing = true
			}
		}
		if value != "" {
			bar.Values[field.Key] = value
		}
	}
	for _, field := range bar.Item.Fields {
		if bar.Values[field.Key] == "" {
			if field.Key == confirmField.Key {
				bar.Problem, bar.Next = confirmAsk(bar.Values["reading"], f.Profile), "look at the gauge once more and say"
			}
			return bar
		}
	}
	if item.Key == ItemEyewear {
		bar.resolve(f)
	}
	bar.Answered = true
	bar.Problem, bar.Next = problem(bar, f)
	bar.Up = bar.Problem == ""
	if bar.Values[confirmField.Key] == "yes" {
		bar.Hint = HintLockOut
	}
	return bar
}

// trimmed leaves out the thickness field of thin stock and the grammage field of thick, the
// condition of a pair of which a direct hit is not judged, and of a registered pair everything that
// the register knows. A pair is asked by its label as long as no marking was typed instead and one of
// the register fits.
func trimmed(item Item, given, standing Values, f Facts) Item {
	var drop, offered []string
	switch {
	case item.Key == ItemEyewear:
		offered = fitting(f)
		switch {
		case item.asks("pair") && asksPair(given, standing, offered):
			drop = []string{"marking", "condition"}
		case eyewearOf(f).asksLB():
			drop = []string{"pair"}
		default:
			drop = []string{"pair", "condition"}
		}
	case item.Key == ItemVentilation:
		return askedOfAir(item, given, f)
	case item.Key == ItemMaterial && f.Stock.ByGrammage():
		drop = []string{"thickness"}
	case item.Key == ItemMaterial:
		drop = []string{"grammage"}
	default:
		return item
	}
	fields := make([]Field, 0, len(item.Fields))
	for _, field := range item.Fields {
		if slices.Contains(drop, field.Key) {
			continue
		}
		if field.Key == "pair" {
			field.Choices = offered
		}
		fields = append(fields, field)
	}
	item.Fields = fields
	return item
}

// asksPair says whether the pair is asked by its label: one was given, or no marking was and the
// register offers one. A standing label whose pair no longer fits asks for nothing.
func asksPair(given, standing Values, offered []string) bool {
	if given["pair"] != "" || given["marking"] != "" {
		return given["pair"] != ""
	}
	return len(offered) > 0 && (standing["marking"] == "" || slices.Contains(offered, standing["pair"]))
}

// resolve puts what the register says of a pair beside its label, so that the record holds what was
// judged even where the register changes later.
func (b Bar) resolve(f Facts) {
	if p, ok := f.registered(b.Values["pair"]); ok {
		for key, value := range p.values() {
			b.Values[key] = value
		}
	}
}

func needs(item Item, f Facts) string {
	switch item.Key {
	case ItemEyewear:
		return eyewearOf(f).needs()
	case ItemExtinguisher:
		return "gauge in the green or seal and tag intact, looked at this month or last, within reach; " +
			"CO₂ or clean agent at the machine, " +
			"powder as second choice. Go by the agent, not the letter: class C is gases in Europe (EN 2) and live equipment in the US (NFPA 10)"
	case ItemVentilation:
		return ventilationNeeds(f)
	case ItemBed:
		return bedNeeds(f)
	case ItemRoom:
		return roomNeeds(f)
	case ItemSecond:
		return "because of: " + strings.Join(grounds(f), "; ")
	case ItemMaterial:
		if f.Stock.ByGrammage() {
			return fmt.Sprintf("lot %s, %d g/m²", f.Stock.Lot, f.Stock.GrammageGPerM2)
		}
		return fmt.Sprintf("lot %s, %s to %s mm", f.Stock.Lot,
			thousandths(f.Stock.ThicknessUM-f.Stock.ToleranceUM), thousandths(f.Stock.ThicknessUM+f.Stock.ToleranceUM))
	case ItemSupply:
		return "after all other bars are up"
	}
	return item.Ask
}

func problem(bar Bar, f Facts) (what, next string) {
	for _, field := range bar.Item.Fields {
		value := bar.Values[field.Key]
		switch field.Kind {
		case FieldYes:
			if field.Key == confirmField.Key && value != "yes" {
				return "the gauge shows something else than what was typed", "read the gauge again and type what it shows"
			}
			if value != "yes" {
				return fmt.Sprintf("%s: no", field.Title), "put it right, then answer again; no run starts with this open"
			}
		case FieldChoice:
			if field.Key == "pair" {
				if why, next := pairProblem(value, f); why != "" {
					return why, next
				}
			} else if !slices.Contains(field.Choices, value) {
				return fmt.Sprintf("%s: %.40q is not one of the choices", field.Title, value),
					"choose one of: " + strings.Join(field.Choices, ", ")
			}
		}
	}
	switch bar.Item.Key {
	case ItemEyewear:
		return eyewearOf(f).problem(bar.Values)
	case ItemExtinguisher:
		return extinguisherProblem(bar.Values, f.Today)
	case ItemVentilation:
		return ventilationProblem(bar.Values, f)
	case ItemBed:
		return bedProblem(bar.Values, f)
	case ItemRoom:
		return roomProblem(bar.Values, f)
	case ItemMaterial:
		return materialProblem(bar.Values, f)
	}
	return "", ""
}

// pairProblem says why a label names no pair to wear here.
func pairProblem(label string, f Facts) (what, next string) {
	p, ok := f.registered(label)
	if !ok {
		return fmt.Sprintf("the register has no pair %.40q", label), "read the label again, or type the marking that is printed on the pair"
	}
	why := p.unfit(eyewearOf(f))
	if why == "" {
		return "", ""
	}
	next = "fetch the pair that fits this beam"
	if fit := fitting(f); len(fit) > 0 {
		next = "fetch one that fits: " + strings.Join(fit, ", ")
	}
	return p.Label + ": " + why, next
}

func extinguisherProblem(v Values, today time.Time) (what, next string) {
	if v["gauge"] == GaugeLow {
		return "the extinguisher's gauge is not in the green", "fetch a charged one and tell the safety officer"
	}
	if v["gauge"] == GaugeNone && v["agent"] != AgentCO2 {
		return "only a CO₂ extinguisher has no gauge", "look again at agent and gauge"
	}
	if v["agent"] == AgentWater {
		// Common practice, no source: water conducts, and the supply is live.
		return "water or foam must not meet a live supply", "fetch CO₂ or clean agent, or powder"
	}
	month, err := time.Parse("2006-01", v["inspected"])
	if err != nil {
		return fmt.Sprintf("%.20q is not a month", v["inspected"]), "type the month on the tag as YYYY-MM"
	}
	this := time.Date(today.Year(), today.Month(), 1, 0, 0, 0, 0, time.UTC)
	switch {
	case month.After(this):
		return "the month on the tag lies in the future", "read the tag again"
	case month.Before(this.AddDate(0, -1, 0)):
		return fmt.Sprintf("last looked at in %s, which is over a month ago", v["inspected"]),
			"do the monthly look, sign the tag, or ask the safety officer"
	}
	return "", ""
}

func materialProblem(v Values, f Facts) (what, next string) {
	if !strings.EqualFold(strings.TrimSpace(v["lot"]), f.Stock.Lot) {
		return fmt.Sprintf("the sheet's lot %.40q is not %s, which the plan is for", v["lot"], f.Stock.Lot),
			"load a sheet of that lot; two sheets that look alike may not be the same"
	}
	if f.Stock.ByGrammage() {
		g, err := decimal(v["grammage"], 0)
		if err != nil || g != f.Stock.GrammageGPerM2 {
			return fmt.Sprintf("grammage %.20q is not %d g/m²", v["grammage"], f.Stock.GrammageGPerM2), "read the label of the pack"
		}
		return "", ""
	}
	um, err := decimal(v["thickness"], 3)
	if err != nil {
		return fmt.Sprintf("%.20q is not a thickness in mm", v["thickness"]), "measure with the caliper and type millimetres"
	}
	low, high := f.Stock.ThicknessUM-f.Stock.ToleranceUM, f.Stock.ThicknessUM+f.Stock.ToleranceUM
	if um < low || um > high {
		return fmt.Sprintf("%s mm lies outside %s to %s mm", thousandths(um), thousandths(low), thousandths(high)),
			"measure again away from the edge; if it stays, this is not the stock that the plan is for"
	}
	return "", ""
}

// decimal reads a decimal number, comma or point, as an integer in units of 10^-places.
func decimal(text string, places int) (int64, error) {
	value, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err != nil || value < -1e9 || value > 1e9 || value != value {
		return 0, fmt.Errorf("not a number: %.20q", text)
	}
	for range places {
		value *= 10
	}
	// Downwards: a flow reading must never be rounded up into passing.
	if value < 0 {
		return int64(value - 1), nil
	}
	return int64(value + 1e-6), nil
}

func tenths(v int64) string {
	return strings.TrimSuffix(fmt.Sprintf("%d.%d", v/10, v%10), ".0")
}

func thousandths(v int64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%d.%03d", v/1000, v%1000), "0"), ".")
}

// maxValue is the longest value that a field takes, in bytes.
const maxValue = 200

// Take reads what was given for an item strictly: only the item's own fields, none too long. It
// returns all values and, of them, those of standing fields.
func Take(item Item, values Values) (given, standing Values, err error) {
	given, standing = Values{}, Values{}
	known := make(map[string]Field, len(item.Fields))
	for _, f := range item.Fields {
		known[f.Key] = f
	}
	if item.Key == ItemVentilation {
		known[confirmField.Key], known[drawnField.Key] = confirmField, drawnField
	}
	for key, value := range values {
		f, ok := known[key]
		if !ok {
			return nil, nil, fmt.Errorf("%s has no field %.40q", item.Key, key)
		}
		if value = strings.TrimSpace(value); len(value) > maxValue {
			return nil, nil, fmt.Errorf("%s of %s is longer than %d bytes", key, item.Key, maxValue)
		}
		if value == "" {
			continue
		}
		given[key] = value
		if f.Standing {
			standing[key] = value
		}
	}
	return given, standing, nil
}
