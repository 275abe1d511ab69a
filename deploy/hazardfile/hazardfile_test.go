package hazardfile

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"kerfgate/deploy/demo"
	"kerfgate/deploy/given"
	"kerfgate/plan/hazard/quantity"
)

var update = flag.Bool("update", false, "rewrite testdata/help.txt")

// forbidden are words that no output may say.
var forbidden = regexp.MustCompile(`(?i)\bsafe\b|\bsafely\b|certif|compliant|approved`)

// checked runs the command, scans what it says for words that promise, and holds that it ends with who
// decides.
func checked(t *testing.T, cfg Config) (string, error) {
	t.Helper()
	var out bytes.Buffer
	cfg.Print = &out
	err := Run(cfg)
	all := out.String()
	if err != nil {
		all += err.Error()
	}
	if found := forbidden.FindString(all); found != "" {
		t.Errorf("%+v says %q", cfg, found)
	}
	if out.Len() > 0 && !strings.Contains(out.String(), quantity.Caution) {
		t.Errorf("%+v does not say who decides", cfg)
	}
	return out.String(), err
}

// published are cases with the value that a source prints; off is half a unit of the last digit, or what
// the row's note allows. IDs are those of the worked values in plan/hazard and plan/hazard/optics.
var published = []struct {
	id, source, line string
	want, off        float64
	shown            string // where there is no value
}{
	{"optics/M10", "notebook after IEC TR 60825-14:2004", `{"quantity":"exposure_limit","wavelength_nm":532,"seconds":0.25}`, 25.46, 0.005, ""},
	{"optics/B04", "values after ICNIRP 2013", `{"quantity":"exposure_limit","wavelength_nm":440,"seconds":20}`, 5, 0.05, ""},
	{"optics/F03", "IEC 60825-1:2014 Table 3, in transcription", `{"quantity":"exposure_limit","wavelength_nm":10600}`, 1000, 0.5, ""},
	{"optics/D03", "values after Z136.1-2014 Appendix B", `{"quantity":"required_density","wavelength_nm":532,"power_w":0.5,"seconds":0.25}`, 2.7079, 0.00005, ""},
	{"optics/H04", "values after Z136.1-2014 Appendix B", `{"quantity":"ocular_distance","wavelength_nm":532,"power_w":0.1,"diameter_mm":2,"divergence_mrad":1,"seconds":0.25,"width_at":"1/e","profile":"gaussian"}`, 68.725, 0.003, ""},
	{"optics/H08", "values after Z136.1-2014 Appendix B", `{"quantity":"ocular_distance","wavelength_nm":532,"power_w":1,"diameter_mm":1,"divergence_mrad":1,"seconds":0.25,"profile":"gaussian"}`, 315.28, 0.005, ""},
	{"optics/example lens", "own example: 5 W 445 nm, 4 mm at 1/e, f 40 mm", `{"quantity":"behind_lens","wavelength_nm":445,"power_w":5,"focal_mm":40,"at_lens_mm":4,"width_at":"1/e","profile":"gaussian"}`, 8.0, 0.05, ""},
	{"optics/Z01", "laser-pointer safety text", `{"quantity":"diffuse_zone","wavelength_nm":445,"power_w":1,"seconds":60}`, 0.44, 0.005, ""},
	{"optics/L01", "university laser guidelines, EN 207 examples", `{"quantity":"eyewear_number","wavelength_nm":1064,"power_w":10,"diameter_mm":4}`, 5, 0, ""},
	{"optics/L07", "university laser guidelines, EN 208 examples", `{"quantity":"alignment_number","wavelength_nm":532,"power_w":5,"diameter_mm":2}`, 4, 0, ""},
	{"optics/C14", "IEC 60825-1, in transcription", `{"quantity":"class_hint","wavelength_nm":532,"power_w":0.005}`, 0, 0, "3R"},
	{"air/T04", "CDC 2003, Table B.1: 6 changes an hour, 99 %, 46 min", `{"quantity":"clearing_time","volume_m3":100,"flow_m3_per_h":600,"mixing":1,"share_left":0.01}`, 46 * 60, 30, ""},
	{"air/example", "own: 60 l at 150 m³/h, K 10", `{"quantity":"purge","volume_l":60,"flow_m3_per_h":150,"composition":"poplar, urea glue"}`, 100, 0, ""},
	{"air/A01", "hygienists' question bank, q 1: 20×15×10 ft, 300 cfm", `{"quantity":"air_changes","flow_m3_per_h":509.7,"volume_m3":84.95}`, 6, 0.005, ""},
	{"air/B01", "hygienists' question bank, q 22: 10 cfm into 5000 cfm, 20 000 ft³, 10 ppm, 60 min", `{"quantity":"build_up_ppm","generation_cm3_per_h":16990000,"flow_m3_per_h":8495,"volume_m3":566.34,"start_ppm":10,"hours":1}`, 2000, 0.5, ""},
	{"air/example PM2.5", "own: 18.783 mg/min (paperboard, 2024 abstract) into 150 m³/h", `{"quantity":"steady_concentration","generation_mg_per_h":1126.98,"flow_m3_per_h":150,"mixing":1}`, 7.5, 0.05, ""},
	{"air/build-up", "comes to the steady concentration after a day", `{"quantity":"build_up","generation_mg_per_h":1126.98,"flow_m3_per_h":150,"volume_m3":80,"hours":24}`, 7.5, 0.05, ""},
	{"air/D02", "web calculator: 200 mm, 565 m³/h", `{"quantity":"duct_velocity","flow_m3_per_h":565,"diameter_mm":200}`, 5, 0.005, ""},
	{"air/D10", "hygienists' question bank, q 14", `{"quantity":"velocity_of_pressure","pressure_pa":100}`, 12.9, 0.05, ""},
	{"air/H08", "hygienists' question bank, q 40: flanged 4 ft², 400 cfm at 2 ft, 12.1 fpm", `{"quantity":"capture_velocity","flow_m3_per_h":679.6,"distance_m":0.6096,"area_m2":0.371612,"flanged":true}`, 12.1 * 0.00508, 0.05 * 0.00508, ""},
	{"air/H01", "hygienists' question bank, q 33: slot 1 ft long, 600 cfm at 1 ft, 162 fpm", `{"quantity":"slot_velocity","flow_m3_per_h":1019.4,"length_m":0.3048,"distance_m":0.3048}`, 162 * 0.00508, 0.5 * 0.00508, ""},
	{"air/H05", "hygienists' question bank, q 38: 16 ft around, 200 fpm, 1 ft up, 4480 cfm", `{"quantity":"canopy_flow","perimeter_m":4.8768,"speed_m_per_s":1.016,"height_m":0.3048}`, 4480 * 1.699, 1.699, ""},
	{"air/D05", "web duct calculator: 12×8 in, 1000 cfm, 1500 fpm", `{"quantity":"opening_velocity","flow_m3_per_h":1699,"area_m2":0.061935}`, 1500 * 0.00508, 0.5 * 0.00508, ""},
	{"air/H06", "hygienists' question bank, q 37: booth 3×3 ft, 200 fpm, 1800 cfm", `{"quantity":"opening_flow","speed_m_per_s":1.016,"area_m2":0.836127}`, 1800 * 1.699, 1.699, ""},
	{"air/F01", "hygienists' question bank, q 28: 400 cfm, 1000 to 3000 rpm, 1200 cfm", `{"quantity":"fan_flow","flow_m3_per_h":679.6,"rpm":1000,"new_rpm":3000}`, 1200 * 1.699, 0.5, ""},
	{"air/G03", "Abulencia and Theodore, example 20.2: toluene, 2.15 l/min", `{"quantity":"vapour_flow","liquid_l_per_h":0.567812,"density_kg_per_l":0.87,"molar_mass_g_per_mol":92,"temperature_c":19.85}`, 2.15 * 0.06, 0.005 * 0.06, ""},
	{"air/G04", "hygienists' question bank, q 20: K 5 takes five times the flow", `{"quantity":"dilution_flow","vapour_m3_per_h":0.02,"ppm":1000,"mixing":5}`, 100, 1e-9, ""},
	{"air/C01", "NIOSH, OSHA: CO 35 ppm", `{"quantity":"mass_concentration","ppm":35,"molar_mass_g_per_mol":28.01}`, 40, 0.5, ""},
	{"air/filter", "own: 60 of 200 h run", `{"quantity":"filter_left","filter_hours":200,"ran_hours":60}`, 140, 1e-9, ""},
	{"air/share", "own: 96 of 120 Pa", `{"quantity":"flow_share","read_pa":96,"commissioned_pa":120}`, 0.8, 1e-12, ""},
}

// Every quantity is computed from a line, as its source prints it; one line in, one line out, in order.
func TestCases(t *testing.T) {
	t.Parallel()
	var lines []string
	covered := map[string]bool{}
	for _, p := range published {
		lines = append(lines, p.line)
	}
	out, err := checked(t, Config{Cases: "-", In: strings.NewReader(strings.Join(lines, "\n"))})
	if err != nil {
		t.Fatal(err)
	}
	results := strings.Split(strings.TrimSpace(out), "\n")
	if len(results) != len(published) {
		t.Fatalf("%d results of %d cases", len(results), len(published))
	}
	for i, p := range published {
		var r computed
		if err := json.Unmarshal([]byte(results[i]), &r); err != nil {
			t.Fatal(err)
		}
		covered[r.Quantity] = true
		if r.Line != i+1 || r.Caution != quantity.Caution || r.Source == "" || r.Formula == "" {
			t.Errorf("%s: %s", p.id, results[i])
		}
		if p.shown != "" {
			if r.Value != nil || r.Shown != p.shown {
				t.Errorf("%s (%s): %s", p.id, p.source, results[i])
			}
		} else if r.Value == nil || math.Abs(*r.Value-p.want) > p.off {
			t.Errorf("%s (%s): want %v in %s", p.id, p.source, p.want, results[i])
		}
	}
	for _, q := range quantity.All() {
		if !covered[q.Name] {
			t.Errorf("no case for %s", q.Name)
		}
	}
}

// What a line gets wrong stands in its own result; the others are computed, and the status is 3.
func TestCasesRefused(t *testing.T) {
	t.Parallel()
	good := `{"quantity":"air_changes","flow_m3_per_h":150,"volume_m3":60}`
	bad := map[string]string{
		`{"quantity":"air_change"}`: "there is no quantity",
		`{"quantity":"air_changes","flow_m3_per_h":150,"flow_m3_per_h":1500,"volume_m3":60}`: `"flow_m3_per_h\" stands twice`,
		`{"flow_m3_per_h":150}`:     `no text under \"quantity\"`,
		`{"quantity":7}`:            `no text under \"quantity\"`,
		`[1]`:                       "no JSON object",
		`{"quantity":"air_changes"`: "no end",
		good + good:                 "goes on after",
		`{"quantity":"air_changes","flow_m3_per_h":1e999,"volume_m3":60}`:  "too large",
		`{"quantity":"exposure_limit","wavelength_nm":355}`:                "ask the person in charge of laser safety",
		`{"quantity":"exposure_limit","wavelength_nm":532,"seconds":0.01}`: "0.25 s",
		`{"quantity":"purge","volume_l":600,"flow_m3_per_h":150}`:          "too weak",
		`{"quantity":"x` + strings.Repeat("x", mostLine) + `"}`:            "longer than",
	}
	for line, says := range bad {
		out, err := checked(t, Config{Cases: "-", In: strings.NewReader(good + "\n\n" + line + "\r\n" + good + "\n")})
		var no *RefusedError
		if !errors.As(err, &no) || no.ExitCode() != 3 || no.Refused != 1 || no.Of != 3 {
			t.Errorf("%.80s: %v", line, err)
		}
		results := strings.Split(strings.TrimSpace(out), "\n")
		if len(results) != 3 || !strings.Contains(results[1], says) || !strings.Contains(results[1], `"refused"`) || !strings.Contains(results[1], `"line":3`) ||
			!strings.Contains(results[0], `"value":2.5`) || !strings.Contains(results[2], `"value":2.5`) || !strings.Contains(results[2], `"line":4`) {
			t.Errorf("%.80s: %s", line, out)
		}
		var r refused
		if len(results) == 3 && (json.Unmarshal([]byte(results[1]), &r) != nil || r.Refused.What == "" || r.Refused.Next == "") {
			t.Errorf("%.80s says %+v", line, r)
		}
	}
}

// A result comes before the next case is written: another program may ask step by step.
func TestCasesStream(t *testing.T) {
	t.Parallel()
	in, questions := io.Pipe()
	answers, out := io.Pipe()
	done := make(chan error, 1)
	go func() {
		err := Run(Config{Cases: "-", In: in, Print: out})
		_ = out.Close() // it cannot fail
		done <- err
	}()
	lines := bufio.NewScanner(answers)
	for _, line := range []string{published[0].line, published[1].line} {
		if _, err := io.WriteString(questions, line+"\n"); err != nil {
			t.Fatal(err)
		}
		if !lines.Scan() || !strings.Contains(lines.Text(), `"exposure_limit"`) {
			t.Fatalf("answered %q", lines.Text())
		}
	}
	if err := questions.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// Called wrongly: status 2, with what to do.
func TestUsage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for name, cfg := range map[string]Config{
		"nothing":         {},
		"both":            {Profile: "bay-1", Cases: "-"},
		"no such cases":   {Cases: filepath.Join(dir, "none")},
		"folder":          {Cases: dir},
		"empty":           {Cases: "-", In: strings.NewReader("\n\n")},
		"no such profile": {Profile: filepath.Join(dir, "none.json")},
		"no such example": {Profile: "bay-9"},
		"no profile":      {Profile: write("a.json", `{"colour": 1}`)},
		"two profiles":    {Profile: write("b.json", `{"tools":[{"name":"beam","kind":"beam"}]} {}`)},
		"no tools":        {Profile: write("c.json", `{}`)},
		"no such tool":    {Profile: "bay-2", Tool: "saw"},
	} {
		out, err := checked(t, cfg)
		var wrong *given.UsageError
		if !errors.As(err, &wrong) || wrong.ExitCode() != 2 || wrong.What == "" || wrong.Next == "" || out != "" {
			t.Errorf("%s: %v, printed %q", name, err, out)
		}
	}
}

// The help lists every quantity with its inputs and ends with who decides.
func TestHelp(t *testing.T) {
	t.Parallel()
	const path = "testdata/help.txt"
	got := Help() + "\n"
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil || got != string(want) {
		t.Errorf("help differs from %s (-update rewrites it): %v\n%s", path, err, got)
	}
	for _, q := range quantity.All() {
		for _, in := range q.Inputs {
			if !strings.Contains(got, "    "+q.Name+": ") || !strings.Contains(got, "      "+in.Name) {
				t.Errorf("help lacks %s of %s", in.Name, q.Name)
			}
		}
	}
	if found := forbidden.FindString(got); found != "" || !strings.HasSuffix(got, quantity.Caution+".\n") {
		t.Errorf("help says %q, or does not end with who decides", found)
	}
}

// The sheets of the demo's machines: what the profile allows is computed and the rest is named.
func TestSheet(t *testing.T) {
	t.Parallel()
	for _, m := range demo.Machines() {
		for _, tool := range m.Profile.Tools {
			out, err := checked(t, Config{Profile: strings.ReplaceAll(strings.ToLower(m.Bay), " ", "-"), Tool: tool.Name})
			if err != nil || !strings.HasSuffix(out, quantity.Caution+".\n") {
				t.Errorf("%s, %s: %v\n%s", m.Bay, tool.Name, err, out)
			}
		}
	}
	wants := func(cfg Config, lines ...string) {
		t.Helper()
		out, err := checked(t, cfg)
		if err != nil {
			t.Error(err)
		}
		flat := regexp.MustCompile(` +`).ReplaceAllString(out, " ")
		for _, line := range lines {
			if !strings.Contains(flat, line) {
				t.Errorf("%+v lacks %q in\n%s", cfg, line, out)
			}
		}
	}
	// OD 4.11 and 5.11, 1.26 m and D LB5 are the own examples of a 5 W 445 nm beam of 4 mm.
	wants(Config{Profile: "bay-2", More: quantity.Measures{BeamMM: 4}}, "accidental look of 10 s 4.2 OD", "working day of 30000 s 5.2 OD", "direct hit LB5",
		"from matt work, 30000 s 1.27 m", "missing: --focal-mm; --at-lens-mm", "no purge is computed without an enclosure")
	// OD 3.62, 0.11 m and LB4 those of a 40 W CO₂ beam of 6 mm; 5.3 m/s that of 150 m³/h in 100 mm.
	wants(Config{Profile: "bay-1", More: quantity.Measures{BeamMM: 6, DuctMM: 100, Composition: "poplar", RoomM3: 80, FreshM3PerH: 480}},
		"accidental look of 10 s 3.7 OD", "direct hit LB4", "from matt work, 30000 s 0.113 m", "lid opens 100 s", "speed in the duct 5.3 m/s", "air changes of the room 6 1/h")
	wants(Config{Profile: "bay-1"}, "lid opens 120 s", "duct_mm of the profile's air, or --duct-mm", "entered OD 5.0")

	out, err := checked(t, Config{Profile: "bay-2", JSON: true, More: quantity.Measures{BeamMM: 4}})
	var s sheet
	if err != nil || json.Unmarshal([]byte(out), &s) != nil || s.Caution != quantity.Caution || len(s.Entries) < 10 {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, e := range s.Entries {
		if (e.Result != nil) == (len(e.Missing) > 0) {
			t.Errorf("%+v", e)
		}
		if e.Title == "eyewear density, working day of 30000 s" && math.Abs(*e.Result.Value-5.1137) > 0.00005 {
			t.Errorf("rounded: %v", *e.Result.Value)
		}
	}
}

// A beam that is not computed refuses its numbers, says so, and the status is 3.
func TestSheetRefused(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "profile.json")
	if err := os.WriteFile(path, []byte(`{"name":"ultraviolet","tools":[{"name":"beam","kind":"beam","wavelength_nm":355,"power_mw":500,"beam_um":1000}]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := checked(t, Config{Profile: path})
	var no *RefusedError
	if !errors.As(err, &no) || no.ExitCode() != 3 || !strings.Contains(out, "refused: the wavelength lies outside") || !strings.Contains(out, "next: ") {
		t.Errorf("%v\n%s", err, out)
	}
}

// Whatever the lines hold, each that is not blank gets one line of JSON.
func FuzzCases(f *testing.F) {
	for _, p := range published {
		f.Add(p.line + "\n")
	}
	f.Add("{\n}\n\"")
	f.Add(`{"quantity":"purge","volume_l":-9e99,"flow_m3_per_h":1,"mixing":{}}`)
	f.Fuzz(func(t *testing.T, text string) {
		var out bytes.Buffer
		err := Run(Config{Cases: "-", In: strings.NewReader(text), Print: &out})
		var refusal *RefusedError
		var usage *given.UsageError
		if err != nil && !errors.As(err, &refusal) && !errors.As(err, &usage) {
			t.Fatal(err)
		}
		want := 0
		for line := range strings.SplitSeq(text, "\n") {
			if strings.TrimSpace(line) != "" {
				want++
			}
		}
		dec := json.NewDecoder(&out)
		for got := 0; ; got++ {
			var r map[string]any
			if err := dec.Decode(&r); errors.Is(err, io.EOF) {
				if got != want {
					t.Fatalf("%d results of %d lines", got, want)
				}
				return
			} else if err != nil {
				t.Fatal(err)
			}
			if _, computed := r["value"]; computed == (r["refused"] != nil) || r["caution"] != quantity.Caution {
				t.Fatalf("result %v", r)
			}
		}
	})
}
