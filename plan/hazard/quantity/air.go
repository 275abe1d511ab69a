package quantity

import (
	"math"

	"kerfgate/plan/hazard"
	"kerfgate/plan/material"
)

// Sources of the air quantities.
const (
	fromCDC     = "CDC, MMWR 43 (RR-13, 28 Oct 1994), Table S3-1"
	fromSheet   = "equation sheet of the industrial hygienists' board exams"
	fromACGIH   = "industrial hygienists' question bank, after the ACGIH manual"
	ownFilter   = "common practice, no source: the maker's hours; warn at 80 %, stop at 100 % (own)"
	ownMinimums = "own: at least 80 % to start, lock the machine out under 60 %"
)

// notANumber is the value of what is said in words.
var notANumber = math.NaN()

func flow(meaning string) Input { return Input{Name: "flow_m3_per_h", Meaning: meaning, Kind: Number} }

func mixing(usual float64) Input {
	return Input{Name: "mixing", Meaning: "factor K, 1 (perfect) to 10 (poor)", Kind: Number, Default: usual}
}

// roomMixing is K of a room of usual mixing; from memory (3 to 10 is the usual range).
const roomMixing = 3

// outside is what flow means where only fresh air counts.
const outside = "outside air or exhaust; a recirculating filter counts 0"

func ofAir() []Quantity {
	generation := Input{Name: "generation_mg_per_h", Meaning: "what the source gives off", Kind: Number}
	hours := Input{Name: "hours", Meaning: "since the source began", Kind: Number}
	volume := Input{Name: "volume_m3", Meaning: "of room or enclosure", Kind: Number}
	effective := Input{Name: "mixing", Meaning: "factor K; 1 takes the flow as the effective one", Kind: Number, Default: 1.0}
	return []Quantity{{
		Name: "clearing_time", Title: "time to clear the air, source off", Unit: "s", round: Up,
		Inputs: []Input{volume, flow(outside), mixing(roomMixing),
			{Name: "share_left", Meaning: "of what was in the air, between 0 and 1", Kind: Number, Default: 0.01}},
		Formula: "(K·V/Q)·ln(1/share)", Source: fromCDC,
		compute: func(v values) (found, error) {
			t, err := hazard.ClearingTime(v.number("volume_m3"), v.number("flow_m3_per_h"), v.number("mixing"), v.number("share_left"))
			return found{value: t}, err
		},
	}, {
		Name: "purge", Title: "time before the lid may be opened", Unit: "s", round: Up,
		Inputs: []Input{{Name: "volume_l", Meaning: "of the enclosure", Kind: Whole},
			{Name: "flow_m3_per_h", Meaning: "exhaust as measured, not the fan's free-air rating", Kind: Whole},
			{Name: "mixing", Meaning: "factor K, 1 (perfect) to 10 (poor)", Kind: Whole, Default: int64(hazard.DefaultMixing)},
			{Name: "composition", Meaning: "of the material; acrylic and what nobody knows wait 120 s at least", Kind: Text, Default: ""}},
		Formula: "(K·V/Q)·ln(1000), whole seconds up; at least 60 s, 120 s for acrylic or an unknown composition; over 900 s none",
		Source:  fromCDC + "; floors and cap: own",
		compute: func(v values) (found, error) {
			t, err := hazard.PurgeOf(v.whole("volume_l"), v.whole("flow_m3_per_h"), v.whole("mixing"), material.Material{Composition: material.Of(v.text("composition"))})
			return found{value: float64(t), notes: []string{"material may go on gassing once the lid is open"}}, err
		},
	}, {
		Name: "air_changes", Title: "air changes", Unit: "1/h", round: Down,
		Inputs: []Input{flow(outside), volume}, Formula: "Q/V", Source: fromCDC,
		compute: func(v values) (found, error) {
			n, err := hazard.AirChanges(v.number("flow_m3_per_h"), v.number("volume_m3"))
			return found{value: n}, err
		},
	}, {
		Name: "build_up", Title: "concentration after a time with the source on", Unit: "mg/m³", round: Up,
		Inputs: []Input{generation, flow(outside), volume, hours,
			{Name: "start_mg_per_m3", Meaning: "what was in the air before", Kind: Number, Default: 0.0}, effective},
		Formula: "[G − (G − Q′·C0)·exp(−Q′·t/V)]/Q′, Q′ = Q/K", Source: fromSheet,
		compute: func(v values) (found, error) {
			return buildUp(v, "generation_mg_per_h", "start_mg_per_m3")
		},
	}, {
		Name: "build_up_ppm", Title: "the same for a gas by volume", Unit: "ppm", round: Up,
		Inputs: []Input{{Name: "generation_cm3_per_h", Meaning: "what the source gives off", Kind: Number}, flow(outside), volume, hours,
			{Name: "start_ppm", Meaning: "what was in the air before", Kind: Number, Default: 0.0}, effective},
		Formula: "[G − (G − Q′·C0)·exp(−Q′·t/V)]/Q′, Q′ = Q/K", Source: fromSheet,
		compute: func(v values) (found, error) {
			return buildUp(v, "generation_cm3_per_h", "start_ppm")
		},
	}, {
		Name: "steady_concentration", Title: "concentration that a source comes to", Unit: "mg/m³", round: Up,
		Inputs:  []Input{generation, flow(outside), mixing(hazard.DefaultMixing)},
		Formula: "K·G/Q", Source: fromSheet,
		compute: func(v values) (found, error) {
			c, err := hazard.Steady(v.number("generation_mg_per_h"), v.number("flow_m3_per_h"), v.number("mixing"))
			return found{value: c, notes: []string{"an estimate, since nobody knows K; no proof that a limit is kept"}}, err
		},
	}, {
		Name: "duct_velocity", Title: "speed of air in a round duct", Unit: "m/s", round: Down,
		Inputs:  []Input{flow("through the duct"), {Name: "diameter_mm", Meaning: "of the duct, inside", Kind: Number}},
		Formula: "Q/3600/(π·d²/4)", Source: "geometry; range: ACGIH 2009 transport velocities, cut smoke counted as fume to fine dust (own reading)",
		compute: func(v values) (found, error) {
			speed, err := hazard.DuctVelocity(v.number("flow_m3_per_h"), v.number("diameter_mm"))
			f := found{value: speed}
			switch {
			case speed < 5:
				f.notes = []string{"under 5 m/s: soot stays in the duct and burns there; clean it often or take a narrower one"}
			case speed < 10:
				f.notes = []string{"under 10 m/s: smoke of wood and card leaves soot in the duct (10 to 15 m/s wanted)"}
			}
			return f, err
		},
	}, {
		Name: "velocity_of_pressure", Title: "speed of air from its velocity pressure", Unit: "m/s", round: Down,
		Inputs:  []Input{{Name: "pressure_pa", Meaning: "velocity pressure", Kind: Number}},
		Formula: "1.29·√p, air of 1.2 kg/m³", Source: fromSheet,
		compute: func(v values) (found, error) {
			speed, err := hazard.VelocityOfPressure(v.number("pressure_pa"))
			return found{value: speed}, err
		},
	}, {
		Name: "capture_velocity", Title: "speed of air at a distance before an opening", Unit: "m/s", round: Down,
		Inputs: []Input{flow("that the opening draws"), {Name: "distance_m", Meaning: "before the opening", Kind: Number},
			{Name: "area_m2", Meaning: "of the opening", Kind: Number}, {Name: "flanged", Meaning: "a flange around it", Kind: Flag, Default: false}},
		Formula: "Q/3600/(10·x² + A), over 0.75 with a flange", Source: fromACGIH,
		compute: func(v values) (found, error) {
			speed, err := hazard.CaptureVelocity(v.number("flow_m3_per_h"), v.number("distance_m"), v.number("area_m2"), v.flag("flanged"))
			return found{value: speed}, err
		},
	}, {
		Name: "slot_velocity", Title: "speed of air at a distance before a slot", Unit: "m/s", round: Down,
		Inputs: []Input{flow("that the slot draws"), {Name: "length_m", Meaning: "of the slot, at least five times its height", Kind: Number},
			{Name: "distance_m", Meaning: "before the slot", Kind: Number}, {Name: "flanged", Meaning: "a flange around it", Kind: Flag, Default: false}},
		Formula: "Q/3600/(3.7·L·x), 2.6 in the place of 3.7 with a flange", Source: fromACGIH,
		compute: func(v values) (found, error) {
			speed, err := hazard.SlotVelocity(v.number("flow_m3_per_h"), v.number("length_m"), v.number("distance_m"), v.flag("flanged"))
			return found{value: speed}, err
		},
	}, {
		Name: "canopy_flow", Title: "flow that a canopy needs", Unit: "m³/h", round: Up,
		Inputs: []Input{{Name: "perimeter_m", Meaning: "of what it hangs over", Kind: Number}, {Name: "speed_m_per_s", Meaning: "wanted at the edge", Kind: Number},
			{Name: "height_m", Meaning: "of the canopy above it", Kind: Number}},
		Formula: "1.4·P·v·H·3600", Source: fromACGIH,
		compute: func(v values) (found, error) {
			q, err := hazard.CanopyFlow(v.number("perimeter_m"), v.number("speed_m_per_s"), v.number("height_m"))
			return found{value: q}, err
		},
	}, {
		Name: "opening_velocity", Title: "mean speed of air through an opening", Unit: "m/s", round: Down,
		Inputs:  []Input{flow("through it"), {Name: "area_m2", Meaning: "of all that is open", Kind: Number}},
		Formula: "Q/3600/A", Source: "geometry",
		compute: func(v values) (found, error) {
			speed, err := hazard.OpeningVelocity(v.number("flow_m3_per_h"), v.number("area_m2"))
			return found{value: speed}, err
		},
	}, {
		Name: "opening_flow", Title: "flow through an opening, duct or booth face from its speed", Unit: "m³/h", round: Down,
		Inputs:  []Input{{Name: "speed_m_per_s", Meaning: "mean over the opening", Kind: Number}, {Name: "area_m2", Meaning: "of the opening", Kind: Number}},
		Formula: "v·A·3600", Source: "geometry; booths: " + fromACGIH,
		compute: func(v values) (found, error) {
			q, err := hazard.OpeningFlow(v.number("speed_m_per_s"), v.number("area_m2"))
			return found{value: q}, err
		},
	}, {
		Name: "fan_flow", Title: "flow of the same fan at another speed", Unit: "m³/h", round: Down,
		Inputs:  []Input{flow("as it is"), {Name: "rpm", Meaning: "turns a minute as they are", Kind: Number}, {Name: "new_rpm", Meaning: "turns a minute as they will be", Kind: Number}},
		Formula: "Q·n2/n1; pressure goes with the square, power with the cube", Source: fromACGIH,
		compute: func(v values) (found, error) {
			q, err := hazard.FanFlow(v.number("flow_m3_per_h"), v.number("rpm"), v.number("new_rpm"))
			return found{value: q, notes: []string{"measure the flow again before it counts: no purge is computed from this"}}, err
		},
	}, {
		Name: "vapour_flow", Title: "vapour of a liquid that evaporates", Unit: "m³/h", round: Up,
		Inputs: []Input{{Name: "liquid_l_per_h", Meaning: "that evaporates", Kind: Number}, {Name: "density_kg_per_l", Meaning: "of the liquid", Kind: Number},
			{Name: "molar_mass_g_per_mol", Meaning: "of its vapour", Kind: Number}, {Name: "temperature_c", Meaning: "of the air", Kind: Number, Default: 20.0}},
		Formula: "V·ρ/M·22.414·(273.15 + T)/273.15, 1 atm", Source: fromSheet,
		compute: func(v values) (found, error) {
			q, err := hazard.VapourFlow(v.number("liquid_l_per_h"), v.number("density_kg_per_l"), v.number("molar_mass_g_per_mol"), v.number("temperature_c"))
			return found{value: q}, err
		},
	}, {
		Name: "dilution_flow", Title: "flow that keeps a gas or vapour at a concentration", Unit: "m³/h", round: Up,
		Inputs: []Input{{Name: "vapour_m3_per_h", Meaning: "given off", Kind: Number}, {Name: "ppm", Meaning: "parts per million by volume", Kind: Number},
			mixing(hazard.DefaultMixing)},
		Formula: "K·G·10⁶/C", Source: fromSheet,
		compute: func(v values) (found, error) {
			q, err := hazard.DilutionFlow(v.number("vapour_m3_per_h"), v.number("ppm"), v.number("mixing"))
			return found{value: q, notes: []string{"an estimate, since nobody knows K; no proof that a limit is kept"}}, err
		},
	}, {
		Name: "mass_concentration", Title: "ppm of a gas as mass, 25 °C, 1 atm", Unit: "mg/m³", round: Up,
		Inputs:  []Input{{Name: "ppm", Meaning: "parts per million by volume", Kind: Number}, {Name: "molar_mass_g_per_mol", Meaning: "of the gas", Kind: Number}},
		Formula: "ppm·M/24.45", Source: "molar volume from memory; 29 CFR 1910.1000, Table Z-1, footnote b: keep ppm, derive this for display",
		compute: func(v values) (found, error) {
			c, err := hazard.MGPerM3(v.number("ppm"), v.number("molar_mass_g_per_mol"))
			return found{value: c}, err
		},
	}, {
		Name: "filter_left", Title: "hours left of a filter", Unit: "h", round: Down,
		Inputs: []Input{{Name: "filter_hours", Meaning: "that it lasts, as its maker says", Kind: Number},
			{Name: "ran_hours", Meaning: "that it has run", Kind: Number, Default: 0.0}},
		Formula: "hours of the maker − hours run, 0 at least", Source: ownFilter,
		compute: func(v values) (found, error) {
			left, err := hazard.FilterLeft(v.number("filter_hours"), v.number("ran_hours"))
			f := found{value: left}
			switch used := v.number("ran_hours") / v.number("filter_hours"); {
			case used >= 1:
				f.notes = []string{"used up: change it before the next run"}
			case used >= 0.8:
				f.notes = []string{"over 80 % used: have the next one ready"}
			}
			f.notes = append(f.notes, "carbon is spent at once when the smell comes back, whatever the hours say")
			return f, err
		},
	}, {
		Name: "flow_share", Title: "gauge reading as a share of the commissioned one", round: Down,
		Inputs:  []Input{{Name: "read_pa", Meaning: "gauge now", Kind: Number}, {Name: "commissioned_pa", Meaning: "gauge at commissioning", Kind: Number}},
		Formula: "p/p0; the flow itself falls with the root of it, so this is the stricter way", Source: ownMinimums,
		compute: func(v values) (found, error) {
			share, err := hazard.FlowShare(v.number("read_pa"), v.number("commissioned_pa"))
			f := found{value: share}
			switch {
			case share < 0.6:
				f.notes = []string{"under 60 %: lock the machine out"}
			case share < 0.8:
				f.notes = []string{"under 80 %: no run starts; clean filter and duct"}
			}
			return f, err
		},
	}}
}

// buildUp mixes as the mixing factor says.
func buildUp(v values, generation, start string) (found, error) {
	flow, err := hazard.EffectiveFlow(v.number("flow_m3_per_h"), v.number("mixing"))
	if err != nil {
		return found{}, err
	}
	c, err := hazard.BuildUp(v.number(generation), flow, v.number("volume_m3"), v.number(start), v.number("hours"))
	return found{value: c}, err
}
