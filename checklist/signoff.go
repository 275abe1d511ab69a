package checklist

import (
	"maps"
	"slices"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
)

// SignOff is the complete answers of one run with everything they bind (I10): whatever of it
// changes before the start voids it. Its digest stands in the permit and in the logbook.
type SignOff struct {
	Run           uuid.UUID         `cbor:"run"`
	Job           uuid.UUID         `cbor:"job"`
	Machine       uuid.UUID         `cbor:"machine"`
	Operator      uuid.UUID         `cbor:"operator"`
	Station       uuid.UUID         `cbor:"station"`
	Authorisation uuid.UUID         `cbor:"authorisation"`
	Plan          canon.Digest      `cbor:"plan"`
	Placement     canon.Digest      `cbor:"placement"`
	Profile       canon.Digest      `cbor:"profile"`
	Stock         canon.Digest      `cbor:"stock"`
	Material      canon.Digest      `cbor:"material"`
	Checklist     canon.Digest      `cbor:"checklist"`
	Shown         map[string]string `cbor:"shown"` // by item: what it needed, as shown
	Answers       map[string]Values `cbor:"answers"`
	// Numbers are what was computed behind the bars, by item, each as the line that Number.Line gives.
	Numbers map[string][]string `cbor:"numbers,omitempty"`
}

// Record draws the bars as they stood when it was signed, in the order of the checklist c: what each
// needed as shown, what was computed and what was answered, whatever has changed since.
func (s SignOff) Record(c Checklist) []Bar {
	var bars []Bar
	draw := func(item Item) {
		bar := Bar{Item: item, Needs: s.Shown[item.Key], Values: Values{}, Answered: true, Up: true, Numbers: s.Numbers[item.Key]}
		maps.Copy(bar.Values, s.Answers[item.Key])
		bars = append(bars, bar)
	}
	known := map[string]bool{}
	for _, item := range c.Items {
		if _, ok := s.Shown[item.Key]; ok {
			known[item.Key] = true
			draw(item)
		}
	}
	// What is shown beside the items, and an item that the checklist no longer has, stands under its key.
	for _, key := range slices.Sorted(maps.Keys(s.Shown)) {
		if !known[key] {
			draw(derived(key))
		}
	}
	return bars
}

// derived finds an item that no checklist holds, since a run itself asks for it; any other goes by its key.
func derived(key string) Item {
	for _, item := range []Item{roomItem(), secondItem(), contactItem("the contact")} {
		if item.Key == key {
			return item
		}
	}
	if key == ShownPlacement {
		return Item{Key: key, Title: "Placing"}
	}
	return Item{Key: key, Title: key}
}

// PlacementBound is what of a placement is bound.
type PlacementBound struct {
	Origin geom.Point `cbor:"origin"`
	Homed  bool       `cbor:"homed"`
	Sheet  geom.Point `cbor:"sheet"`
	// FocusUM is the height that was read, 0 where none was asked; Traced that the outline was traced around
	// this origin; Tool what a person said hangs on the carriage.
	FocusUM int64  `cbor:"focus_um,omitempty"`
	Traced  bool   `cbor:"traced,omitempty"`
	Tool    string `cbor:"tool,omitempty"`
}

// StockBound is what of a stock lot is bound.
type StockBound struct {
	Stock          uuid.UUID  `cbor:"stock"`
	Material       uuid.UUID  `cbor:"material"`
	Lot            string     `cbor:"lot"`
	ThicknessUM    int64      `cbor:"thickness_um"`
	ToleranceUM    int64      `cbor:"tolerance_um"`
	GrammageGPerM2 int64      `cbor:"grammage_g_per_m2"`
	Sheet          geom.Point `cbor:"sheet"`
}
