package quantity

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kerfgate/plan/hazard"
	"kerfgate/plan/hazard/optics"
	"kerfgate/plan/material"
)

// forbidden are words that nothing here may say: no number makes a beam or a room so.
var forbidden = regexp.MustCompile(`(?i)\bsafe\b|\bsafely\b|certif|compliant|approved`)

// Compute gives what the function behind it gives, for all inputs, and refuses where that does.
func TestComputeIsTheFunction(t *testing.T) {
	t.Parallel()
	type direct func(in map[string]any) (float64, error)
	n := func(in map[string]any, name string) float64 { return in[name].(float64) }
	beam := func(in map[string]any) optics.Beam {
		b := optics.Beam{WavelengthNM: n(in, "wavelength_nm"), MaxPowerW: n(in, "power_w")}
		if d, ok := in["diameter_mm"].(float64); ok {
			b.DiameterMM = d
		}
		if d, ok := in["divergence_mrad"].(float64); ok {
			b.DivergenceMrad = d
		}
		if in["width_at"] == "1/e" {
			b.WidthAt = optics.WidthE
		}
		if in["profile"] == "gaussian" {
			b.Profile = optics.ProfileGaussian
		}
		return b
	}
	effective := func(in map[string]any, generation, start string) (float64, error) {
		q, err := hazard.EffectiveFlow(n(in, "flow_m3_per_h"), n(in, "mixing"))
		if err != nil {
			return 0, err
		}
		return hazard.BuildUp(n(in, generation), q, n(in, "volume_m3"), n(in, start), n(in, "hours"))
	}
	functions := map[string]direct{
		"exposure_limit": func(in map[string]any) (float64, error) {
			l, err := optics.MPE(n(in, "wavelength_nm"), n(in, "seconds"))
			return l.WM2, err
		},
		"required_density": func(in map[string]any) (float64, error) {
			od, err := optics.RequiredOD(beam(in), n(in, "seconds"))
			return od.Exact, err
		},
		"ocular_distance": func(in map[string]any) (float64, error) {
			d, err := optics.NOHD(beam(in), n(in, "seconds"))
			return d.Metres, err
		},
		"behind_lens": func(in map[string]any) (float64, error) {
			d, err := optics.BehindLens(beam(in), n(in, "focal_mm"), n(in, "at_lens_mm"), n(in, "seconds"))
			return d.Metres, err
		},
		"diffuse_zone": func(in map[string]any) (float64, error) {
			d, err := optics.DiffuseZone(beam(in), n(in, "reflectance"), n(in, "angle_deg"), n(in, "seconds"))
			return d.Metres, err
		},
		"eyewear_number": func(in map[string]any) (float64, error) {
			m, err := optics.LB(beam(in))
			return float64(m.N), err
		},
		"alignment_number": func(in map[string]any) (float64, error) {
			m, err := optics.RB(beam(in))
			return float64(m.N), err
		},
		"class_hint": func(in map[string]any) (float64, error) {
			class, err := optics.ClassHint(n(in, "wavelength_nm"), n(in, "power_w"))
			return float64(strings.Index("_123R3B4", string(class))), err
		},
		"clearing_time": func(in map[string]any) (float64, error) {
			return hazard.ClearingTime(n(in, "volume_m3"), n(in, "flow_m3_per_h"), n(in, "mixing"), n(in, "share_left"))
		},
		"purge": func(in map[string]any) (float64, error) {
			s, err := hazard.PurgeOf(in["volume_l"].(int64), in["flow_m3_per_h"].(int64), in["mixing"].(int64), material.Material{Composition: material.Of(in["composition"].(string))})
			return float64(s), err
		},
		"air_changes": func(in map[string]any) (float64, error) {
			return hazard.AirChanges(n(in, "flow_m3_per_h"), n(in, "volume_m3"))
		},
		"build_up": func(in map[string]any) (float64, error) {
			return effective(in, "generation_mg_per_h", "start_mg_per_m3")
		},
		"build_up_ppm": func(in map[string]any) (float64, error) {
			return effective(in, "generation_cm3_per_h", "start_ppm")
		},
		"steady_concentration": func(in map[string]any) (float64, error) {
			return hazard.Steady(n(in, "generation_mg_per_h"), n(in, "flow_m3_per_h"), n(in, "mixing"))
		},
		"duct_velocity": func(in map[string]any) (float64, error) {
			return hazard.DuctVelocity(n(in, "flow_m3_per_h"), n(in, "diameter_mm"))
		},
		"velocity_of_pressure": func(in map[string]any) (float64, error) { return hazard.VelocityOfPressure(n(in, "pressure_pa")) },
		"capture_velocity": func(in map[string]any) (float64, error) {
			return hazard.CaptureVelocity(n(in, "flow_m3_per_h"), n(in, "distance_m"), n(in, "area_m2"), in["flanged"].(bool))
		},
		"slot_velocity": func(in map[string]any) (float64, error) {
			return hazard.SlotVelocity(n(in, "flow_m3_per_h"), n(in, "length_m"), n(in, "distance_m"), in["flanged"].(bool))
		},
		"canopy_flow": func(in map[string]any) (float64, error) {
			return hazard.CanopyFlow(n(in, "perimeter_m"), n(in, "speed_m_per_s"), n(in, "height_m"))
		},
		"opening_velocity": func(in map[string]any) (float64, error) {
			return hazard.OpeningVelocity(n(in, "flow_m3_per_h"), n(in, "area_m2"))
		},
		"opening_flow": func(in map[string]any) (float64, error) {
			return hazard.OpeningFlow(n(in, "speed_m_per_s"), n(in, "area_m2"))
		},
		"fan_flow": func(in map[string]any) (float64, error) {
			return hazard.FanFlow(n(in, "flow_m3_per_h"), n(in, "rpm"), n(in, "new_rpm"))
		},
		"vapour_flow": func(in map[string]any) (float64, error) {
			return hazard.VapourFlow(n(in, "liquid_l_per_h"), n(in, "density_kg_per_l"), n(in, "molar_mass_g_per_mol"), n(in, "temperature_c"))
		},
		"dilution_flow": func(in map[string]any) (float64, error) {
			return hazard.DilutionFlow(n(in, "vapour_m3_per_h"), n(in, "ppm"), n(in, "mixing"))
		},
		"mass_concentration": func(in map[string]any) (float64, error) {
			return hazard.MGPerM3(n(in, "ppm"), n(in, "molar_mass_g_per_mol"))
		},
		"filter_left": func(in map[string]any) (float64, error) {
			return hazard.FilterLeft(n(in, "filter_hours"), n(in, "ran_hours"))
		},
		"flow_share": func(in map[string]any) (float64, error) {
			return hazard.FlowShare(n(in, "read_pa"), n(in, "commissioned_pa"))
		},
	}
	for _, q := range All() {
		if functions[q.Name] == nil {
			t.Errorf("%s is compared with nothing", q.Name)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		q := All()[rapid.IntRange(0, len(All())-1).Draw(t, "quantity")]
		in := draw(t, q)
		want, wantErr := functions[q.Name](in)
		got, err := Compute(q.Name, in)
		if wantErr != nil {
			var no *Refusal
			if !errors.As(err, &no) || !errors.Is(err, no.Cause) || no.What != wantErr.Error() || no.Next == "" {
				t.Fatalf("%s of %v: %v, the function says %v", q.Name, in, err, wantErr)
			}
			return
		}
		if errors.Is(err, errNoNumber) {
			if finite(want) && math.Abs(want) < 1e30 && math.Abs(want) > 1e-30 && !strings.HasSuffix(q.Name, "_number") {
				t.Fatalf("%s of %v is %v: %v", q.Name, in, want, err)
			}
			return
		}
		if err != nil {
			t.Fatalf("%s of %v: %v", q.Name, in, err)
		}
		if text := got.Shown + strings.Join(got.Notes, " ") + got.Caution; forbidden.MatchString(text) {
			t.Fatalf("%s says %q", q.Name, text)
		}
		switch {
		case q.Name == "class_hint":
			if got.Value != nil || !strings.Contains("1 2 3R 3B 4", got.Shown) {
				t.Fatalf("class %+v", got)
			}
		case math.IsInf(want, 1):
			if got.Value != nil || got.Shown != "without end" {
				t.Fatalf("%s of %v: %+v", q.Name, in, got)
			}
		case got.Value == nil || *got.Value != want:
			t.Fatalf("%s of %v: %+v, want %v", q.Name, in, got, want)
		case q.Name != "eyewear_number" && q.Name != "alignment_number":
			seen, err := strconv.ParseFloat(got.Shown, 64)
			if err != nil || q.round == Up && seen < want*(1-1e-8) || q.round == Down && seen > want*(1+1e-8) {
				t.Fatalf("%s is %v and shows %s", q.Name, want, got.Shown)
			}
		}
		if _, err := json.Marshal(got); err != nil {
			t.Fatal(err)
		}
	})
}

// draw gives every input a value, now and then one that is refused.
func draw(t *rapid.T, q Quantity) map[string]any {
	in := map[string]any{}
	for _, i := range q.Inputs {
		switch i.Kind {
		case Whole:
			in[i.Name] = rapid.Int64Range(-1, 500).Draw(t, i.Name)
		case Choice:
			in[i.Name] = rapid.SampledFrom(i.Choices).Draw(t, i.Name)
		case Flag:
			in[i.Name] = rapid.Bool().Draw(t, i.Name)
		case Text:
			in[i.Name] = rapid.SampledFrom([]string{"", "birch, urea glue", "acrylic", "unknown"}).Draw(t, i.Name)
		case Number:
			low, high := -0.1, 200.0
			switch i.Name {
			case "wavelength_nm":
				low, high = 390, 1200
				if rapid.Bool().Draw(t, "far") {
					low, high = 8900, 11_100
				}
			case "seconds":
				low, high = 0.2, 31_000
			case "share_left", "reflectance":
				high = 1.1
			case "mixing":
				low, high = 0.9, 10
			}
			in[i.Name] = rapid.Float64Range(low, high).Draw(t, i.Name)
		}
	}
	return in
}

// What is asked for wrongly is said by its name, with what there is instead.
func TestWrongInput(t *testing.T) {
	t.Parallel()
	good := map[string]any{"flow_m3_per_h": 150.0, "volume_m3": 60}
	if r, err := Compute("air_changes", good); err != nil || *r.Value != 2.5 {
		t.Fatal(r, err)
	}
	for name, c := range map[string]struct {
		quantity string
		in       map[string]any
		says     []string
	}{
		"unknown quantity": {"air_change", good, []string{`"air_change"`, "air_changes", "exposure_limit", "flow_share"}},
		"unknown input":    {"air_changes", map[string]any{"flow_m3_per_h": 1, "volume_l": 1}, []string{`no input "volume_l"`, "flow_m3_per_h, volume_m3"}},
		"missing":          {"air_changes", map[string]any{}, []string{"lacks flow_m3_per_h, volume_m3"}},
		"text for number":  {"air_changes", map[string]any{"flow_m3_per_h": "150", "volume_m3": 1}, []string{`flow_m3_per_h of air_changes: the text "150" is no number`}},
		"null":             {"air_changes", map[string]any{"flow_m3_per_h": nil, "volume_m3": 1}, []string{"null is no number"}},
		"list":             {"air_changes", map[string]any{"flow_m3_per_h": []any{1}, "volume_m3": 1}, []string{"a list or an object is no number"}},
		"not a number":     {"air_changes", map[string]any{"flow_m3_per_h": math.NaN(), "volume_m3": 1}, []string{"not a finite number"}},
		"infinite":         {"air_changes", map[string]any{"flow_m3_per_h": math.Inf(1), "volume_m3": 1}, []string{"not a finite number"}},
		"too large":        {"air_changes", map[string]any{"flow_m3_per_h": json.Number("1e400"), "volume_m3": 1}, []string{"too large"}},
		"not whole":        {"purge", map[string]any{"volume_l": 60.5, "flow_m3_per_h": 150}, []string{"60.5 is no whole number"}},
		"far too large":    {"purge", map[string]any{"volume_l": 1e300, "flow_m3_per_h": 150}, []string{"no whole number"}},
		"not a flag": {"capture_velocity", map[string]any{"flow_m3_per_h": 1, "distance_m": 1, "area_m2": 1, "flanged": "yes"},
			[]string{"flanged", "true or false"}},
		"not a choice": {"ocular_distance", map[string]any{"wavelength_nm": 532, "power_w": 1, "diameter_mm": 1, "divergence_mrad": 1, "width_at": "fwhm"},
			[]string{"width_at", `"fwhm" is no choice`, "one of 1/e2, 1/e"}},
		"number for text": {"purge", map[string]any{"volume_l": 60, "flow_m3_per_h": 150, "composition": 1}, []string{"composition", "is no text"}},
		"long text":       {"purge", map[string]any{"volume_l": 60, "flow_m3_per_h": 150, "composition": strings.Repeat("x", 201)}, []string{"longer than 200"}},
	} {
		r, err := Compute(c.quantity, c.in)
		var wrong *InputError
		if !errors.As(err, &wrong) || wrong.What == "" || wrong.Next == "" || r.Value != nil {
			t.Errorf("%s: %+v, %v", name, r, err)
			continue
		}
		for _, says := range c.says {
			if !strings.Contains(err.Error(), says) {
				t.Errorf("%s says %q, lacks %q", name, err, says)
			}
		}
	}
}

// A quantity is complete: words for each part, units in the inputs' names, and nothing that promises.
func TestQuantitiesAreComplete(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	name := regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	for _, q := range All() {
		if seen[q.Name] || !name.MatchString(q.Name) || q.Title == "" || q.Formula == "" || q.Source == "" || len(q.Inputs) == 0 || q.compute == nil {
			t.Errorf("%s: %+v", q.Name, q)
		}
		seen[q.Name] = true
		text := fmt.Sprintf("%+v", q)
		for _, in := range q.Inputs {
			if !name.MatchString(in.Name) || in.Meaning == "" || (in.Kind == Choice) != (len(in.Choices) > 0) {
				t.Errorf("%s: %+v", q.Name, in)
			}
			if in.Default != nil {
				if _, err := in.read(in.Default); err != nil {
					t.Errorf("default of %s of %s: %v", in.Name, q.Name, err)
				}
			}
		}
		if forbidden.MatchString(text) {
			t.Errorf("%s says %q", q.Name, text)
		}
	}
	for _, n := range nexts {
		if text := refusal(n.cause).Error(); forbidden.MatchString(text) || !strings.HasSuffix(text, n.next) {
			t.Errorf("refusal says %q", text)
		}
	}
	if q, ok := Named("purge"); !ok || q.Unit != "s" {
		t.Errorf("purge is %+v", q)
	}
}

// Inputs on which arithmetic ends give a refusal, and no result without a number.
func TestNoNumber(t *testing.T) {
	t.Parallel()
	for name, in := range map[string]map[string]any{
		"duct_velocity":        {"flow_m3_per_h": 1e300, "diameter_mm": 1e-100},
		"air_changes":          {"flow_m3_per_h": 1e300, "volume_m3": 1e-300},
		"mass_concentration":   {"ppm": 1e300, "molar_mass_g_per_mol": 1e300},
		"steady_concentration": {"generation_mg_per_h": 1e300, "flow_m3_per_h": 1e-300},
	} {
		var no *Refusal
		if r, err := Compute(name, in); !errors.As(err, &no) || !strings.Contains(no.Next, "units") {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
}

// Three digits to the side of caution; what misses a digit only in its last bits is that digit.
func TestShown(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		v        float64
		up, down string
	}{
		{0, "0", "0"}, {1, "1", "1"}, {9.999, "10", "9.99"}, {99.91, "100", "99.9"}, {1234, "1240", "1230"}, {0.11284, "0.113", "0.112"},
		{0.1 + 0.2, "0.3", "0.3"}, {999.5, "1000", "999"}, {5.305e-6, "5.31e-06", "5.3e-06"},
	} {
		if up, down := shown(c.v, Up), shown(c.v, Down); up != c.up || down != c.down {
			t.Errorf("%v shows %s up and %s down", c.v, up, down)
		}
	}
}
