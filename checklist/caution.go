package checklist

import "kerfgate/plan/hazard/quantity"

// Caution stands with every number of the gate, wherever it is shown.
const Caution = quantity.Caution
