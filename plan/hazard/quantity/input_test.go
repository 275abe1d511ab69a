package quantity

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// ordinary are inputs from which every quantity has a number.
var ordinary = map[string]map[string]any{
	"exposure_limit":       {"wavelength_nm": 445.0, "seconds": 10.0},
	"required_density":     {"wavelength_nm": 445.0, "power_w": 5.0, "seconds": 10.0},
	"ocular_distance":      {"wavelength_nm": 445.0, "power_w": 5.0, "diameter_mm": 4.0, "divergence_mrad": 1.0, "seconds": 10.0},
	"behind_lens":          {"wavelength_nm": 445.0, "power_w": 5.0, "focal_mm": 40.0, "at_lens_mm": 4.0, "seconds": 10.0},
	"diffuse_zone":         {"wavelength_nm": 445.0, "power_w": 5.0, "reflectance": 1.0, "angle_deg": 30.0, "seconds": 30_000.0},
	"eyewear_number":       {"wavelength_nm": 445.0, "power_w": 5.0, "diameter_mm": 4.0},
	"alignment_number":     {"wavelength_nm": 445.0, "power_w": 5.0, "diameter_mm": 4.0},
	"class_hint":           {"wavelength_nm": 445.0, "power_w": 5.0},
	"clearing_time":        {"volume_m3": 80.0, "flow_m3_per_h": 480.0, "mixing": 3.0, "share_left": 0.01},
	"purge":                {"volume_l": 60, "flow_m3_per_h": 150, "mixing": 10},
	"air_changes":          {"flow_m3_per_h": 480.0, "volume_m3": 80.0},
	"build_up":             {"generation_mg_per_h": 400.0, "flow_m3_per_h": 150.0, "volume_m3": 80.0, "hours": 1.0, "start_mg_per_m3": 1.0, "mixing": 3.0},
	"build_up_ppm":         {"generation_cm3_per_h": 400.0, "flow_m3_per_h": 150.0, "volume_m3": 80.0, "hours": 1.0, "start_ppm": 1.0, "mixing": 3.0},
	"steady_concentration": {"generation_mg_per_h": 400.0, "flow_m3_per_h": 150.0, "mixing": 10.0},
	"duct_velocity":        {"flow_m3_per_h": 150.0, "diameter_mm": 100.0},
	"velocity_of_pressure": {"pressure_pa": 100.0},
	"capture_velocity":     {"flow_m3_per_h": 150.0, "distance_m": 0.3, "area_m2": 0.02},
	"slot_velocity":        {"flow_m3_per_h": 150.0, "length_m": 0.3, "distance_m": 0.2},
	"canopy_flow":          {"perimeter_m": 2.0, "speed_m_per_s": 0.5, "height_m": 0.5},
	"opening_velocity":     {"flow_m3_per_h": 150.0, "area_m2": 0.05},
	"opening_flow":         {"speed_m_per_s": 5.0, "area_m2": 0.008},
	"fan_flow":             {"flow_m3_per_h": 150.0, "rpm": 2000.0, "new_rpm": 2400.0},
	"vapour_flow":          {"liquid_l_per_h": 0.1, "density_kg_per_l": 0.87, "molar_mass_g_per_mol": 92.0, "temperature_c": 20.0},
	"dilution_flow":        {"vapour_m3_per_h": 0.02, "ppm": 50.0, "mixing": 10.0},
	"mass_concentration":   {"ppm": 35.0, "molar_mass_g_per_mol": 28.01},
	"filter_left":          {"filter_hours": 200.0, "ran_hours": 60.0},
	"flow_share":           {"read_pa": 96.0, "commissioned_pa": 120.0},
}

// nought are the inputs for which zero means something, below those for which less than that does.
var (
	nought = map[string]bool{"divergence_mrad": true, "angle_deg": true, "generation_mg_per_h": true, "generation_cm3_per_h": true, "hours": true,
		"start_mg_per_m3": true, "start_ppm": true, "ran_hours": true, "temperature_c": true}
	below = map[string]bool{"temperature_c": true}
)

// TestEveryInput: of every quantity every number is refused where it is missing, null, no number, without
// end, negative, and zero where that is nothing to reckon with; the refusal names what to do.
func TestEveryInput(t *testing.T) {
	t.Parallel()
	for _, q := range All() {
		good, ok := ordinary[q.Name]
		if !ok {
			t.Errorf("%s has no ordinary inputs here", q.Name)
			continue
		}
		if _, err := Compute(q.Name, good); err != nil {
			t.Errorf("%s: %v", q.Name, err)
		}
		for _, in := range q.Inputs {
			if in.Kind != Number && in.Kind != Whole {
				continue
			}
			if _, ok := good[in.Name]; !ok {
				t.Errorf("%s: nothing tries %s", q.Name, in.Name)
			}
			with := func(value any) (Result, error) {
				bad := maps.Clone(good)
				bad[in.Name] = value
				return Compute(q.Name, bad)
			}
			var wrong *InputError
			for _, value := range []any{math.NaN(), math.Inf(1), math.Inf(-1), nil, "5", true} {
				if r, err := with(value); !errors.As(err, &wrong) || !strings.Contains(err.Error(), in.Name) || wrong.Next == "" {
					t.Errorf("%s with %s = %v: %+v, %v", q.Name, in.Name, value, r, err)
				}
			}
			less := maps.Clone(good)
			delete(less, in.Name)
			if r, err := Compute(q.Name, less); in.Default == nil && (!errors.As(err, &wrong) || !strings.Contains(err.Error(), in.Name)) || in.Default != nil && err != nil {
				t.Errorf("%s without %s: %+v, %v", q.Name, in.Name, r, err)
			}
			refused := func(value any) {
				t.Helper()
				var no *Refusal
				if r, err := with(value); !errors.As(err, &no) || no.What == "" || no.Next == "" {
					t.Errorf("%s with %s = %v: %+v, %v", q.Name, in.Name, value, r, err)
				}
			}
			if !below[in.Name] {
				refused(-1)
			}
			switch q.Name + " " + in.Name {
			case "purge mixing": // zero stands for the usual factor
				continue
			case "steady_concentration generation_mg_per_h": // what gives nothing off comes to nothing
				refused(0)
				continue
			}
			if !nought[in.Name] {
				refused(0)
			} else if r, err := with(0); err != nil {
				t.Errorf("%s with %s = 0: %+v, %v", q.Name, in.Name, r, err)
			}
		}
	}
}

// TestUnitSlips: a wavelength in micrometres or metres, a power in milliwatts, a diameter in micrometres
// and a working day in milliseconds lie outside what is computed, for every quantity that takes one.
func TestUnitSlips(t *testing.T) {
	t.Parallel()
	tried := map[string]int{}
	for _, q := range All() {
		for input, slips := range map[string][]any{
			"wavelength_nm":   {0.445, 10.6, 445e-9, 1.064, 445_000},
			"power_w":         {5000, 40_000},
			"diameter_mm":     {4000},
			"at_lens_mm":      {4000},
			"focal_mm":        {40_000},
			"divergence_mrad": {1000_000},
			"seconds":         {30_000_000},
			"share_left":      {1, 99.9},
			"mixing":          {-1},
		} {
			good := maps.Clone(ordinary[q.Name])
			if _, takes := good[input]; !takes || q.Name == "duct_velocity" { // a duct may be wide
				continue
			}
			for _, slip := range slips {
				tried[input]++
				good[input] = slip
				var no *Refusal
				if r, err := Compute(q.Name, good); !errors.As(err, &no) {
					t.Errorf("%s with %s = %v: %+v, %v", q.Name, input, slip, r, err)
				}
			}
		}
	}
	if len(tried) != 9 {
		t.Errorf("tried %v", tried)
	}
}

// TestMonotonic: more power never needs less density, a shorter way or a smaller number; a longer exposure
// never raises a limit; more flow never lengthens a purge or thickens the air.
func TestMonotonic(t *testing.T) {
	t.Parallel()
	type side int
	const falls, rises = side(-1), side(1)
	for _, c := range []struct {
		quantity, input string
		low, high       float64
		value           side // to which the value may go as the input grows
	}{
		{"required_density", "power_w", 1e-5, 1000, rises},
		{"required_density", "seconds", 0.25, 30_000, rises},
		{"exposure_limit", "seconds", 0.25, 30_000, falls},
		{"ocular_distance", "power_w", 1e-5, 1000, rises},
		{"ocular_distance", "divergence_mrad", 0.01, 2000, falls},
		{"behind_lens", "power_w", 1e-5, 1000, rises},
		{"diffuse_zone", "power_w", 1e-5, 1000, rises},
		{"diffuse_zone", "angle_deg", 0, 89, falls},
		{"eyewear_number", "power_w", 1e-5, 1000, rises},
		{"eyewear_number", "diameter_mm", 0.1, 100, falls},
		{"alignment_number", "power_w", 1e-5, 1000, rises},
		{"purge", "flow_m3_per_h", 1, 2000, falls},
		{"purge", "volume_l", 1, 2000, rises},
		{"clearing_time", "flow_m3_per_h", 0.1, 5000, falls},
		{"clearing_time", "mixing", 1, 10, rises},
		{"air_changes", "flow_m3_per_h", 0.1, 5000, rises},
		{"build_up", "flow_m3_per_h", 0.1, 5000, falls},
		{"steady_concentration", "flow_m3_per_h", 0.1, 5000, falls},
		{"dilution_flow", "ppm", 0.1, 5000, falls},
		{"filter_left", "ran_hours", 0, 500, falls},
		{"flow_share", "read_pa", 0.1, 500, rises},
	} {
		t.Run(fmt.Sprintf("%s/%s", c.quantity, c.input), func(t *testing.T) {
			t.Parallel()
			q, _ := Named(c.quantity)
			rapid.Check(t, func(t *rapid.T) {
				in := maps.Clone(ordinary[c.quantity])
				if _, beam := in["wavelength_nm"]; beam && c.quantity != "alignment_number" {
					in["wavelength_nm"] = rapid.OneOf(rapid.Float64Range(400, 1150), rapid.Float64Range(9000, 11_000)).Draw(t, "nm")
				}
				at := func(v float64) (float64, error) {
					in[c.input] = v
					for _, x := range q.Inputs {
						if x.Name == c.input && x.Kind == Whole {
							in[c.input] = math.Floor(v)
						}
					}
					r, err := Compute(c.quantity, in)
					if err != nil || r.Value == nil {
						return math.NaN(), err
					}
					return *r.Value, nil
				}
				a := rapid.Float64Range(c.low, c.high).Draw(t, "less")
				b := rapid.Float64Range(a, c.high).Draw(t, "more")
				less, err1 := at(a)
				more, err2 := at(b)
				// What there is no number for lies beyond all numbers, on the side to which the input leads.
				switch {
				case err1 != nil && err2 != nil:
				case err1 != nil && c.value != falls, err2 != nil && c.value != rises:
					t.Fatalf("%v gives %v, %v and %v gives %v, %v", a, less, err1, b, more, err2)
				case err1 != nil || err2 != nil:
				case c.value == rises && more < less*(1-1e-12), c.value == falls && more > less*(1+1e-12):
					t.Fatalf("%v gives %v and %v gives %v", a, less, b, more)
				}
			})
		})
	}
}
