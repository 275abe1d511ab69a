package checklist

import (
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
}

// PlacementBound is what of a placement is bound.
type PlacementBound struct {
	Origin geom.Point `cbor:"origin"`
	Homed  bool       `cbor:"homed"`
	Sheet  geom.Point `cbor:"sheet"`
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
