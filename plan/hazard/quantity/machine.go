package quantity

import (
	"cmp"
	"fmt"
	"maps"

	"kerfgate/plan/hazard"
	"kerfgate/plan/machine"
)

// Measures are what a profile lacks, or was measured anew.
type Measures struct {
	BeamMM         float64 // the beam's diameter at the exit
	DivergenceMrad float64
	FocalMM        float64
	AtLensMM       float64 // the beam's diameter at the focusing lens
	DuctMM         float64
	RoomM3         float64
	FreshM3PerH    float64 // outside air of the room
	Composition    string  // of the material, for the purge
	FilterRanHours float64 // that the filter in use has run
}

// About says what a row is for.
type About string

// What rows are about.
const (
	AboutEyes About = "eyes"
	AboutAir  About = "air"
)

// Row is one quantity of a machine: a result, a refusal, or what is missing for it.
type Row struct {
	About    About
	Title    string
	Quantity string
	Result   *Result
	Refused  error    // *InputError or *Refusal
	Missing  []string // where to say it: field of the profile, or flag
}

// need is a value with where it comes from where it is zero.
type need struct {
	input string
	value float64
	where string
}

// rows gathers them.
type rows struct {
	about About
	list  []Row
	notes []string
}

// OfMachine computes everything that a profile's tool and air allow, with what the numbers do not say.
func OfMachine(profile machine.Profile, tool machine.Tool, more Measures) (list []Row, notes []string) {
	var r rows
	if tool.Kind != machine.ToolBeam {
		return nil, []string{"a " + tool.Kind + " has no beam: nothing about eyes and smoke is computed"}
	}
	r.about = AboutEyes
	r.beam(tool, more)
	r.about = AboutAir
	r.air(profile, more)
	return r.list, append(r.notes, "enclosures and interlocks come before eyewear")
}

// beam adds what concerns eyes.
func (r *rows) beam(tool machine.Tool, more Measures) {
	b := hazard.BeamOf(tool)
	nm := need{"wavelength_nm", b.WavelengthNM, "wavelength_nm of the tool"}
	power := need{"power_w", b.MaxPowerW, "power_mw of the tool"}
	diameter := need{"diameter_mm", cmp.Or(more.BeamMM, b.DiameterMM), "beam_um of the tool, or --beam-mm"}
	divergence := need{"divergence_mrad", cmp.Or(more.DivergenceMrad, b.DivergenceMrad), "divergence_urad of the tool, or --divergence-mrad"}
	focal := need{"focal_mm", more.FocalMM, "--focal-mm"}
	atLens := need{"at_lens_mm", more.AtLensMM, "--at-lens-mm"}
	look, day := need{"seconds", 10, ""}, need{"seconds", 30_000, ""}

	r.add("exposure limit, accidental look of 10 s", "exposure_limit", nm, look)
	r.add("exposure limit, working day of 30000 s", "exposure_limit", nm, day)
	r.add("eyewear density, accidental look of 10 s", "required_density", nm, power, look)
	if b.WavelengthNM <= 600 {
		// The scale numbers leave out that a long look at blue is worse (ICNIRP 2013).
		r.add("eyewear density, working day of 30000 s", "required_density", nm, power, day)
	}
	r.add("eyewear scale number, direct hit", "eyewear_number", nm, power, diameter)
	if b.WavelengthNM <= 700 {
		r.add("alignment eyewear, never for running a job", "alignment_number", nm, power, diameter)
	}
	r.add("distance in the open beam, 10 s", "ocular_distance", nm, power, diameter, divergence, look)
	r.add("distance behind the focusing lens, 10 s", "behind_lens", nm, power, focal, atLens, look)
	r.add("distance from matt work, 30000 s", "diffuse_zone", nm, power, day)
	r.add("class of the open beam, a hint", "class_hint", nm, power)
	if tool.EyewearODTenths > 0 {
		r.notes = append(r.notes, fmt.Sprintf("the person in charge of laser safety entered OD %d.%d: the greater density counts", tool.EyewearODTenths/10, tool.EyewearODTenths%10))
	}
}

// air adds what concerns smoke.
func (r *rows) air(p machine.Profile, more Measures) {
	flow := need{"flow_m3_per_h", float64(p.Air.MeasuredFlowM3PerH), "measured_flow_m3_per_h of the profile's air"}
	duct := flow
	if p.Air.Recirculates {
		flow = need{"flow_m3_per_h", 0, "a flow of outside air: a recirculating filter gives none"}
		r.notes = append(r.notes, "the filter gives the air back to the room: it counts as no outside air")
	}
	if p.Enclosure.Kind == machine.EnclosureLidded {
		litres := need{"volume_l", float64(p.Enclosure.VolumeL), "volume_l of the profile's enclosure"}
		mixing := need{"mixing", cmp.Or(float64(p.Air.MixingFactor), hazard.DefaultMixing), ""}
		r.addWith("purge before the lid opens", "purge", map[string]any{"composition": more.Composition}, litres, flow, mixing)
		r.add("air changes of the enclosure", "air_changes", flow, need{"volume_m3", litres.value / 1000, litres.where})
	} else {
		r.notes = append(r.notes, "no purge is computed without an enclosure: see the hood draw smoke, and open the room")
	}
	r.add("speed in the duct", "duct_velocity", duct, need{"diameter_mm", cmp.Or(more.DuctMM, float64(p.Air.DuctMM)), "duct_mm of the profile's air, or --duct-mm"})
	r.addWith("filter hours left", "filter_left", map[string]any{"ran_hours": more.FilterRanHours},
		need{"filter_hours", float64(p.Air.FilterHours), "filter_hours of the profile's air"})
	room := need{"volume_m3", more.RoomM3, "--room-m3"}
	fresh := need{"flow_m3_per_h", more.FreshM3PerH, "--fresh-air-m3-per-h"}
	r.add("clearing the room after smoke", "clearing_time", room, fresh)
	r.add("air changes of the room", "air_changes", room, fresh)
}

// Expected is the concentration that the fume of a plan comes to in the exhaust of a machine while its tool
// works: mass over time, thinned by the measured flow. fumeUG is the mass in µg, nil where nobody knows it;
// onMS how long the tool is on. ok is false where there is no beam or nothing is driven off.
func Expected(p machine.Profile, tool machine.Tool, fumeUG *int64, onMS int64) (row Row, ok bool) {
	if tool.Kind != machine.ToolBeam || onMS <= 0 || fumeUG != nil && *fumeUG <= 0 {
		return Row{}, false
	}
	r := rows{about: AboutAir}
	generation := need{"generation_mg_per_h", 0, "the grammage of the lot, from which the fume is reckoned"}
	if fumeUG != nil {
		generation.value = float64(*fumeUG) / 1e3 / (float64(onMS) / 3.6e6)
	}
	flow := need{"flow_m3_per_h", float64(p.Air.MeasuredFlowM3PerH), "measured_flow_m3_per_h of the profile's air"}
	if p.Air.Recirculates {
		flow = need{"flow_m3_per_h", 0, "a flow of outside air: a recirculating filter gives none"}
	}
	r.add("expected concentration of fume in the exhaust, an estimate", "steady_concentration", generation, flow,
		need{"mixing", cmp.Or(float64(p.Air.MixingFactor), hazard.DefaultMixing), ""})
	return r.list[0], true
}

// RoomClearing is how long the room around a machine takes to clear after smoke; 0 stands for what nobody knows.
func RoomClearing(roomM3, freshM3PerH float64) Row {
	r := rows{about: AboutAir}
	r.add("clearing the room after smoke", "clearing_time", need{"volume_m3", roomM3, "the volume of the room"},
		need{"flow_m3_per_h", freshM3PerH, "the outside air that the room gets; a recirculating filter gives none"})
	return r.list[0]
}

func (r *rows) add(title, name string, needs ...need) { r.addWith(title, name, nil, needs...) }

func (r *rows) addWith(title, name string, inputs map[string]any, needs ...need) {
	e := Row{About: r.about, Title: title, Quantity: name}
	all := maps.Clone(inputs)
	if all == nil {
		all = map[string]any{}
	}
	for _, n := range needs {
		if n.value == 0 {
			e.Missing = append(e.Missing, n.where)
		}
		all[n.input] = n.value
	}
	if len(e.Missing) == 0 {
		if result, err := Compute(name, all); err != nil {
			e.Refused = err
		} else {
			e.Result = &result
		}
	}
	r.list = append(r.list, e)
}
