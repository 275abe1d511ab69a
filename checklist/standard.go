package checklist

import (
	"errors"
	"fmt"
	"slices"

	"kerfgate/plan/machine"
)

// ErrCoreMissing is returned for a checklist that lacks a core item (I11).
var ErrCoreMissing = errors.New("a core item is missing from the checklist")

// Standard is the checklist that a machine starts with: the walk round a beam machine, critical
// items first and the supply last, or the short one of a machine that has only pens.
func Standard(profile machine.Profile) Checklist {
	if !profile.HasBeam() {
		return Checklist{Version: 1, Items: []Item{clearItem(), materialItem()}}
	}
	return Checklist{Version: 1, Items: []Item{
		eyewearItem(), extinguisherItem(), ventilationItem(), bedItem(), materialItem(), supplyItem(),
	}}
}

// ForRun gives the items that a run with this tool must pass. A pen run on a machine with a beam
// skips eyewear, extinguisher, ventilation and supply only for the answer that the beam module is
// off the carriage and its supply unplugged (I11).
func (c Checklist) ForRun(profile machine.Profile, tool machine.Tool) Checklist {
	if tool.Kind == machine.ToolBeam || !profile.HasBeam() {
		return c
	}
	items := []Item{beamOffItem(), clearItem()}
	for _, item := range c.Items {
		switch item.Key {
		case ItemEyewear, ItemExtinguisher, ItemVentilation, ItemBed, ItemSupply, ItemClear, ItemBeamOff:
		default:
			items = append(items, item)
		}
	}
	return Checklist{Version: c.Version, Items: items}
}

// Validate says whether the checklist may be published for the machine: the four core items and
// supply on stand in it with every field that the standard one has, supply last (I11). Errors are
// ErrCoreMissing.
func (c Checklist) Validate(profile machine.Profile) error {
	for _, want := range Standard(profile).Items {
		if !want.Core {
			continue
		}
		got, ok := c.Item(want.Key)
		if !ok {
			return fmt.Errorf("%w: %s", ErrCoreMissing, want.Key)
		}
		for _, f := range want.Fields {
			if !got.has(f) {
				return fmt.Errorf("%w: %s without %s", ErrCoreMissing, want.Key, f.Key)
			}
		}
	}
	if profile.HasBeam() && c.Items[len(c.Items)-1].Key != ItemSupply {
		return fmt.Errorf("%w: supply on must be the last item", ErrCoreMissing)
	}
	return nil
}

// Item finds an item by key.
func (c Checklist) Item(key string) (Item, bool) {
	for _, item := range c.Items {
		if item.Key == key {
			return item, true
		}
	}
	return Item{}, false
}

// asks says whether the item has the field.
func (i Item) asks(key string) bool {
	return slices.ContainsFunc(i.Fields, func(f Field) bool { return f.Key == key })
}

func (i Item) has(field Field) bool {
	for _, f := range i.Fields {
		if f.Key == field.Key && f.Kind == field.Kind {
			return true
		}
	}
	return false
}

// Choices of the extinguisher's fields. Class letters mean different things in the US and in
// Europe, so the agent is asked, not the letter.
const (
	AgentCO2    = "CO₂"
	AgentClean  = "clean agent"
	AgentPowder = "powder"
	AgentWater  = "water or foam"

	GaugeGreen = "in the green"
	GaugeLow   = "not in the green"
	GaugeNone  = "no gauge, seal and weight tag intact"
)

// Conditions of a pair of eyewear.
const (
	ConditionWhole   = "whole, no scratch or bleached spot"
	ConditionDamaged = "scratched, cracked or bleached"
)

func eyewearItem() Item {
	return Item{Key: ItemEyewear, Title: "Eyewear", Core: true,
		Ask: "read the marking printed on the pair, put it on, and see that everybody inside has one on",
		Fields: []Field{
			{Key: "pair", Title: "label on the pair", Kind: FieldChoice, Standing: true},
			{Key: "marking", Title: "marking on the pair", Kind: FieldText, Standing: true},
			{Key: "condition", Title: "condition of the pair", Kind: FieldChoice, Standing: true,
				Choices: []string{ConditionWhole, ConditionDamaged}},
			{Key: "on", Title: "pair on, everybody inside", Kind: FieldYes},
		}}
}

func extinguisherItem() Item {
	return Item{Key: ItemExtinguisher, Title: "Extinguisher", Core: true,
		Ask: "look at gauge and tag, and see that it is within reach on the way out",
		Fields: []Field{
			{Key: "agent", Title: "agent", Kind: FieldChoice, Standing: true,
				Choices: []string{AgentCO2, AgentClean, AgentPowder, AgentWater}},
			{Key: "gauge", Title: "gauge", Kind: FieldChoice, Standing: true,
				Choices: []string{GaugeGreen, GaugeLow, GaugeNone}},
			{Key: "inspected", Title: "last look on the tag", Kind: FieldMonth, Standing: true},
			{Key: "reach", Title: "within reach", Kind: FieldYes},
		}}
}

func ventilationItem() Item {
	return Item{Key: ItemVentilation, Title: "Ventilation", Core: true,
		Ask: "switch the extraction on and read the gauge now",
		Fields: []Field{
			{Key: "reading", Title: "gauge now", Kind: FieldNumber, Unit: "Pa"},
		}}
}

func materialItem() Item {
	return Item{Key: ItemMaterial, Title: "Material verified", Core: true,
		Ask: "read or scan the lot on the sheet and measure the sheet",
		Fields: []Field{
			{Key: "lot", Title: "lot on the sheet", Kind: FieldText},
			{Key: "thickness", Title: "thickness by caliper", Kind: FieldNumber, Unit: "mm"},
			{Key: "grammage", Title: "grammage on the label", Kind: FieldNumber, Unit: "g/m²"},
		}}
}

func supplyItem() Item {
	return Item{Key: ItemSupply, Title: "Beam supply on", Core: true,
		Ask: "last, with the pair on and the lid or door shut",
		Fields: []Field{
			{Key: "on", Title: "supply on", Kind: FieldYes},
		}}
}

func beamOffItem() Item {
	return Item{Key: ItemBeamOff, Title: "Beam module off", Core: true,
		Ask: "see that the beam module is off the carriage and its supply unplugged",
		Fields: []Field{
			{Key: "off", Title: "module off the carriage, supply unplugged", Kind: FieldYes},
		}}
}

func clearItem() Item {
	return Item{Key: ItemClear, Title: "Carriage clear",
		Ask: "see that hands, hair, sleeves and tools are out of the carriage's way and the sheet is held down",
		Fields: []Field{
			{Key: "clear", Title: "all clear", Kind: FieldYes},
		}}
}
