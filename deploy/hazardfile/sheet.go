package hazardfile

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"kerfgate/plan/hazard"
	"kerfgate/plan/hazard/quantity"
	"kerfgate/plan/machine"
)

// entry is one row of the sheet: a result, a refusal, or what is missing.
type entry struct {
	Title    string           `json:"title"`
	Quantity string           `json:"quantity"`
	Result   *quantity.Result `json:"result,omitempty"`
	Refused  *reason          `json:"refused,omitempty"`
	Missing  []string         `json:"missing,omitempty"` // where to say it: field of the profile, or flag
}

// sheet is everything that a profile's tool and air allow to compute.
type sheet struct {
	Machine string  `json:"machine"`
	Tool    string  `json:"tool"`
	Entries []entry `json:"entries"`
	// Notes say what the numbers do not.
	Notes   []string `json:"notes"`
	Caution string   `json:"caution"`
}

// need is a value with where it comes from where it is zero.
type need struct {
	input string
	value float64
	where string
}

func runSheet(cfg Config) error {
	profile, err := readProfile(cfg.Profile)
	if err != nil {
		return err
	}
	tool, err := toolOf(profile, cfg.Tool)
	if err != nil {
		return err
	}
	s := sheetOf(profile, tool, cfg.More)
	if cfg.JSON {
		enc := json.NewEncoder(cfg.Print)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		err = enc.Encode(s)
	} else {
		err = s.print(cfg.Print)
	}
	if err != nil {
		return err
	}
	no := 0
	for _, e := range s.Entries {
		if e.Refused != nil {
			no++
		}
	}
	if no > 0 {
		return &RefusedError{Refused: no, Of: len(s.Entries)}
	}
	return nil
}

func sheetOf(profile machine.Profile, tool machine.Tool, more Measures) sheet {
	s := sheet{Machine: profile.Name, Tool: tool.Name, Caution: quantity.Caution}
	if tool.Kind == machine.ToolBeam {
		s.beam(tool, more)
	} else {
		s.Notes = append(s.Notes, "a "+tool.Kind+" has no beam: nothing about eyes and smoke is computed")
		return s
	}
	s.air(profile, more)
	s.Notes = append(s.Notes, "enclosures and interlocks come before eyewear")
	return s
}

// beam adds what concerns eyes.
func (s *sheet) beam(tool machine.Tool, more Measures) {
	b := hazard.BeamOf(tool)
	nm := need{"wavelength_nm", b.WavelengthNM, "wavelength_nm of the tool"}
	power := need{"power_w", b.MaxPowerW, "power_mw of the tool"}
	diameter := need{"diameter_mm", cmp.Or(more.BeamMM, b.DiameterMM), "beam_um of the tool, or --beam-mm"}
	divergence := need{"divergence_mrad", cmp.Or(more.DivergenceMrad, b.DivergenceMrad), "divergence_urad of the tool, or --divergence-mrad"}
	focal := need{"focal_mm", more.FocalMM, "--focal-mm"}
	atLens := need{"at_lens_mm", more.AtLensMM, "--at-lens-mm"}
	look, day := need{"seconds", 10, ""}, need{"seconds", 30_000, ""}

	s.add("exposure limit, accidental look of 10 s", "exposure_limit", nm, look)
	s.add("exposure limit, working day of 30000 s", "exposure_limit", nm, day)
	s.add("eyewear density, accidental look of 10 s", "required_density", nm, power, look)
	if b.WavelengthNM <= 600 {
		// The scale numbers leave out that a long look at blue is worse (ICNIRP 2013).
		s.add("eyewear density, working day of 30000 s", "required_density", nm, power, day)
	}
	s.add("eyewear scale number, direct hit", "eyewear_number", nm, power, diameter)
	if b.WavelengthNM <= 700 {
		s.add("alignment eyewear, never for running a job", "alignment_number", nm, power, diameter)
	}
	s.add("distance in the open beam, 10 s", "ocular_distance", nm, power, diameter, divergence, look)
	s.add("distance behind the focusing lens, 10 s", "behind_lens", nm, power, focal, atLens, look)
	s.add("distance from matt work, 30000 s", "diffuse_zone", nm, power, day)
	s.add("class of the open beam, a hint", "class_hint", nm, power)
	if tool.EyewearODTenths > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("the person in charge of laser safety entered OD %d.%d: the greater density counts", tool.EyewearODTenths/10, tool.EyewearODTenths%10))
	}
}

// air adds what concerns smoke.
func (s *sheet) air(p machine.Profile, more Measures) {
	flow := need{"flow_m3_per_h", float64(p.Air.MeasuredFlowM3PerH), "measured_flow_m3_per_h of the profile's air"}
	if p.Enclosure.Kind == machine.EnclosureLidded {
		litres := need{"volume_l", float64(p.Enclosure.VolumeL), "volume_l of the profile's enclosure"}
		mixing := need{"mixing", cmp.Or(float64(p.Air.MixingFactor), hazard.DefaultMixing), ""}
		s.addWith("purge before the lid opens", "purge", map[string]any{"composition": more.Composition}, litres, flow, mixing)
		s.add("air changes of the enclosure", "air_changes", flow, need{"volume_m3", litres.value / 1000, litres.where})
	} else {
		s.Notes = append(s.Notes, "no purge is computed without an enclosure: see the hood draw smoke, and open the room")
	}
	s.add("speed in the duct", "duct_velocity", flow, need{"diameter_mm", more.DuctMM, "--duct-mm"})
	room := need{"volume_m3", more.RoomM3, "--room-m3"}
	fresh := need{"flow_m3_per_h", more.FreshM3PerH, "--fresh-air-m3-per-h"}
	s.add("clearing the room after smoke", "clearing_time", room, fresh)
	s.add("air changes of the room", "air_changes", room, fresh)
}

func (s *sheet) add(title, name string, needs ...need) { s.addWith(title, name, nil, needs...) }

func (s *sheet) addWith(title, name string, inputs map[string]any, needs ...need) {
	e := entry{Title: title, Quantity: name}
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
		result, err := quantity.Compute(name, all)
		if err != nil {
			r := reasonOf(err)
			e.Refused = &r
		} else {
			e.Result = &result
		}
	}
	s.Entries = append(s.Entries, e)
}

// print writes the sheet for people: values rounded to the side of caution, each with its origin.
func (s sheet) print(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, tool %s\n\n", s.Machine, s.Tool)
	var origins []string
	for _, e := range s.Entries {
		switch {
		case e.Result != nil:
			origin := e.Result.Source
			if e.Result.Edition != "" {
				origin += "; edition: " + e.Result.Edition
			}
			if !slices.Contains(origins, origin) {
				origins = append(origins, origin)
			}
			fmt.Fprintf(&b, "%-44s %s [%d]\n", e.Title, strings.TrimSpace(e.Result.Shown+" "+e.Result.Unit), slices.Index(origins, origin)+1)
			if mechanism, ok := e.Result.Also["mechanism"]; ok {
				fmt.Fprintf(&b, "    %s limit\n", mechanism)
			}
			for _, note := range e.Result.Notes {
				fmt.Fprintf(&b, "    %s\n", note)
			}
		case e.Refused != nil:
			fmt.Fprintf(&b, "%-44s refused: %s\n    next: %s\n", e.Title, e.Refused.What, e.Refused.Next)
		default:
			fmt.Fprintf(&b, "%-44s not computed; missing: %s\n", e.Title, strings.Join(e.Missing, "; "))
		}
	}
	if len(origins) > 0 {
		b.WriteString("\n")
	}
	for i, origin := range origins {
		fmt.Fprintf(&b, "[%d] %s\n", i+1, origin)
	}
	for _, note := range s.Notes {
		fmt.Fprintf(&b, "%s\n", note)
	}
	fmt.Fprintf(&b, "These are %s.\n", s.Caution)
	_, err := io.WriteString(w, b.String())
	return err
}
