package checklist

// Choices of the air assist.
const (
	AssistOn   = "on"
	AssistLow  = "low, for engraving"
	AssistNone = "this machine has none"
	AssistOff  = "off"
)

// bedItem asks for what keeps a small flame from becoming a fire. Clearing offcuts from bed and tray before a
// run: UW–Madison EHS and a published makerspace rule; honeycomb and air assist: common practice, no source.
func bedItem() Item {
	return Item{Key: ItemBed, Title: "Bed and air assist",
		Ask: "clear offcuts and dirt from bed, support and tray, and look at the air assist; stay at the machine from the first beam until the purge is over",
		Fields: []Field{
			{Key: "assist", Title: "air assist", Kind: FieldChoice, Standing: true, Choices: []string{AssistOn, AssistLow, AssistNone, AssistOff}},
			{Key: "clear", Title: "bed and tray clear", Kind: FieldYes, Standing: true},
		}}
}

func bedNeeds(f Facts) string {
	if f.Circumstances.CutUM > 0 {
		return "bed and tray clear; air assist on for cutting, where the machine has one"
	}
	return "bed and tray clear; air assist low for engraving or on, where the machine has one"
}

func bedProblem(v Values, f Facts) (what, next string) {
	switch {
	case v["assist"] == AssistOff:
		return "the air assist is off", "switch it on: it blows the flame out and the smoke off the lens"
	case v["assist"] == AssistLow && f.Circumstances.CutUM > 0:
		return "this plan cuts, and the air assist is low", "turn it up for cutting"
	}
	return "", ""
}
