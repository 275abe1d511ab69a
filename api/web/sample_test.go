package web

import (
	"html/template"
	"io"
	"math"
	"time"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// The samples are a day in a community garden's workshop.

var sampleNow = time.Date(2026, 11, 25, 14, 3, 7, 0, time.FixedZone("CET", 3600))

func at(hour, minute int) time.Time {
	return time.Date(2026, 11, 25, hour, minute, 0, 0, sampleNow.Location())
}

func atp(hour, minute int) *time.Time { t := at(hour, minute); return &t }

// samplePlan is a bed sign: two holes, a wavy line, a speech-bubble outline.
func samplePlan() *plan.Plan {
	circle := func(cx, cy, r float64, piece int64) plan.Stroke {
		s := plan.Stroke{Operation: plan.Cut, Group: "B", Closed: true, Piece: piece}
		for i := 0; i <= 40; i++ {
			a := 2 * math.Pi * float64(i) / 40
			s.Points = append(s.Points, geom.Pt(int64(math.Round((cx+r*math.Cos(a))*1000)), int64(math.Round((cy+r*math.Sin(a))*1000))))
		}
		return s
	}
	wave := plan.Stroke{Operation: plan.Mark, Group: "C"}
	for i := 0; i <= 60; i++ {
		x := 60 + 1.5*float64(i)
		wave.Points = append(wave.Points, geom.Pt(int64(math.Round(x*1000)), int64(math.Round((66+14*math.Sin(float64(i)/60*4*math.Pi))*1000))))
	}
	outline := plan.Stroke{Operation: plan.Cut, Group: "A", Closed: true, Piece: 3}
	for _, p := range [][2]float64{{24, 34}, {84, 34}, {100, 18}, {116, 34}, {186, 34}, {186, 106}, {24, 106}, {24, 34}} {
		outline.Points = append(outline.Points, geom.Pt(int64(p[0]*1000), int64(p[1]*1000)))
	}
	return &plan.Plan{
		Planner: plan.Version, Tool: "beam", ToolKind: "beam",
		Strokes: []plan.Stroke{circle(44, 90, 6, 1), circle(166, 90, 6, 2), wave, outline},
		Pieces: []plan.Piece{
			{Number: 1, Dropout: true}, {Number: 2, Dropout: true}, {Number: 3},
		},
		Extents:   geom.Box{Min: geom.Pt(24000, 18000), Max: geom.Pt(186000, 106000)},
		SheetSize: geom.Pt(300000, 180000), PurgeS: 60,
		Numbers: plan.Numbers{TotalMS: 260_000, BeamMS: 171_000},
	}
}

func samplePlaced() template.HTML {
	profile := machine.Profile{TravelUM: geom.Box{Max: geom.Pt(400_000, 300_000)},
		HardStops: geom.Box{Min: geom.Pt(-4_000, -4_000), Max: geom.Pt(404_000, 306_000)}}
	return PlacedSVG(samplePlan(), "plan", profile, geom.Pt(40_000, 30_000))
}

var sampleMachines = []MachineView{
	{ID: "0190a000-0000-7000-8000-000000000001", Bay: "Bay 1", Name: "CO₂, lidded", Carries: "beam 10,600 nm, 40 W, lidded", Beam: true},
	{ID: "0190a000-0000-7000-8000-000000000002", Bay: "Bay 2", Name: "diode, open", Carries: "beam 445 nm, 5 W, open", Beam: true, Simulated: "simulated: motion 10×, purge and watch 60×"},
	{ID: "0190a000-0000-7000-8000-000000000003", Bay: "Bay 3", Name: "pen plotter", Carries: "pen 0.5 mm"},
}

func sampleGate(up int) Gate {
	bars := []GateBar{
		{Key: "eyewear", Title: "Eyewear", Said: []string{"marking on the pair 190-450 D LB6", "pair on, everybody inside"}},
		{Key: "extinguisher", Title: "Extinguisher", Said: []string{"CO₂", "gauge in the green", "last look on the tag 2026-11", "within reach"}},
		{Key: "ventilation", Title: "Ventilation", Said: []string{"112 Pa"}},
		{Key: "material", Title: "Material verified", Said: []string{"lot P118", "3.05 mm"}},
		{Key: "supply", Title: "Beam supply on", Said: []string{"on"}},
	}
	for i := range bars {
		bars[i].Up = i < up
		if !bars[i].Up {
			bars[i].Said = nil
		}
	}
	return Gate{Bars: bars}
}

func sampleShell(title, here string) Shell {
	role := "member"
	if here == "/logbook" {
		role = "officer"
	}
	return Shell{Title: title, Here: here, Now: sampleNow, Person: &Person{Name: "Runa Eik", Role: role}}
}

func sampleLanes() []LaneView {
	return []LaneView{
		{Machine: sampleMachines[0], Watch: &WatchView{Path: "/machines/0190a000-0000-7000-8000-000000000001/watch", By: "Tove L.", Until: at(14, 41), Due: at(14, 13), Seen: at(14, 3), Running: true},
			Queue: []Ticket{
				{Number: 42, Title: "bed sign “dill”", Copy: 1, Copies: 1, Who: "Kari B.", NotBefore: atp(14, 12)},
				{Number: 43, Title: "label set", Copy: 2, Copies: 5, Who: "Runa E.", Mine: true, Href: "/jobs/1", NotBefore: atp(14, 25)},
				{Number: 44, Title: "drawer front, 6 mm", Copy: 1, Copies: 1, Who: "Mo A.", Waiting: "the machine is not ready for it"},
			},
			Gate: sampleGate(5), GateWords: "open for run 40",
			Now: &NowView{Phase: "running", Head: "drawer front, plywood 3 mm", Words: "running, attended by Tove L.",
				DoneMS: 480_000, TotalMS: 670_000, LeftMS: 190_000, HasLeft: true, LeftText: "3 min 10 s", Then: "then the purge"}},
		{Machine: sampleMachines[1],
			Queue: []Ticket{
				{Number: 41, Title: "bed sign “thyme”", Copy: 3, Copies: 6, Who: "Runa E.", Mine: true, Href: "/jobs/2", AtGate: true},
				{Number: 45, Title: "hinge sample, felt", Copy: 1, Copies: 1, Who: "Siri N.", NotBefore: atp(14, 40)},
			},
			Gate: sampleGate(2), GateWords: "3 bars down",
			Now: &NowView{Phase: "checking", Head: "at the gate", Words: "ventilation, material verified, beam supply on: Runa E. is answering"}},
		{Machine: sampleMachines[2], Lockout: &LockoutView{Reason: "belt slipped on y", By: "Jon S.", Since: time.Date(2026, 11, 24, 18, 20, 0, 0, sampleNow.Location())},
			Queue: []Ticket{{Number: 46, Title: "gauge dial", Copy: 1, Copies: 1, Who: "Jon S.", Waiting: "waits for the machine"}},
			Gate:  Gate{Locked: true}, GateWords: "locked out"},
	}
}

// samplePlacing is the open diode's: a span along x, by hand along y, two tools, a focus to set.
func samplePlacing() *PlacingView {
	origin := geom.Pt(40_000, 30_000)
	return &PlacingView{Run: "0190a000-0000-7000-8000-0000000000aa", Beam: true, SupplyOff: true, Tools: []string{"beam", "pen"}, Tool: "beam", Fitted: "beam",
		Axes:    []string{"x: the middle of a measured span of 320 ± 0.3 mm", "y: placed by hand"},
		OnMark:  []string{"y to its mark at 0 mm"},
		Corners: []string{"near left", "near right", "far left", "far right"}, Trace: "9 s", FocusAsk: true,
		FocusWant: "53 ± 0.7 mm (3 mm of sheet and 50 mm of focal distance)", Words: "origin x 40, y 30 mm; not traced",
		Left: []Reason{{What: "the focus is not set", Next: "set the tool’s height over the sheet and type it"}},
		Bed: BedSVG(Bed{Stops: geom.Box{Min: geom.Pt(-3000, -3000), Max: geom.Pt(323_000, 323_000)}, Travel: geom.Box{Max: geom.Pt(320_000, 320_000)},
			Sheet: geom.Pt(200_000, 150_000), Origin: &origin, Outline: []geom.Point{geom.Pt(5_000, 5_000), geom.Pt(160_000, 5_000), geom.Pt(160_000, 60_000), geom.Pt(110_000, 90_000), geom.Pt(5_000, 90_000)}})}
}

func sampleStation(phase string) StationView {
	fields := map[string][]FieldView{
		"eyewear": {{ID: "f-eyewear-pair", Key: "pair", Title: "Label on the pair", Kind: "choice", Choices: []string{"pair 1", "pair 4"}, Pairs: []PairView{
			{Label: "pair 1", Marking: "180-460 OD 6", Fits: true, LookedAt: at(9, 0), Why: "covers 180 to 460 nm with OD 6; this beam asks for OD 5.2 at 445 nm"},
			{Label: "pair 4", Marking: "450 D LB6", Fits: true, LookedAt: at(9, 2), Why: "covers 450 nm with OD 6; this beam asks for OD 5.2 at 445 nm"}}}},
		"extinguisher": {
			{ID: "f-ext-agent", Key: "agent", Title: "Agent", Kind: "choice", Choices: []string{"CO₂", "clean agent", "powder", "water or foam"}},
			{ID: "f-ext-gauge", Key: "gauge", Title: "Gauge", Kind: "choice", Choices: []string{"in the green", "not in the green", "no gauge, seal and weight tag intact"}},
			{ID: "f-ext-month", Key: "inspected", Title: "Last look on the tag", Kind: "month"}},
		"ventilation": {{ID: "f-vent-pa", Key: "reading", Title: "Gauge now", Kind: "number", Unit: "Pa"}},
		"material":    {{ID: "f-mat-lot", Key: "lot", Title: "Lot on the sheet", Kind: "text"}, {ID: "f-mat-mm", Key: "thickness", Title: "Thickness by caliper", Kind: "number", Unit: "mm"}},
	}
	needs := map[string]string{
		"eyewear":      "OD ≥ 4.2 at 445 nm (5 W, 10 s; ICNIRP 2013)",
		"extinguisher": "gauge in the green or seal and tag intact, looked at this month or last, within reach; CO₂ or clean agent first. Class letters differ between the US and Europe",
		"ventilation":  "at least 96 Pa (80 % of 120 Pa commissioned)",
		"material":     "lot P118, 2.8 to 3.2 mm",
	}
	asks := map[string]string{
		"eyewear": "The number on the pair, and that it is on.", "extinguisher": "Look at it.", "ventilation": "Read the gauge with the fan running.",
		"material": "Read the lot on the sheet and measure it.", "supply": "Last, with the pair on.",
	}
	g := sampleGate(2)
	run := &StationRun{
		ID: "0190a000-0000-7000-8000-0000000000aa", Number: 41, JobTitle: "bed sign “thyme”", Copy: 3, Copies: 6, Member: "Kari Berg",
		Phase: phase, Since: at(14, 1), Operator: "Runa Eik", Mine: true, MayOpen: true,
		Material: "plywood, birch", Colour: "pale", Thickness: "3 mm, caliper 2.8 to 3.2\u00a0mm", Lot: "P118", SheetSize: "300 × 180 mm",
		Picture: samplePlaced(), TotalMS: 260_000, ToolOnMS: 171_000, OnWord: OnWord(true),
		Order: []string{"cut 2 drop-outs", "mark 1 line", "cut 1 outline"}, Pieces: "1 piece, 2 drop-outs", Extents: "162 × 88 mm",
		Placed: &PlacedView{X: "40", Y: "30", Homed: true, By: "Runa Eik", At: at(14, 1)},
		Gate:   g, Reasons: nil, AttendEveryS: 60, AttendGraceS: 15, PurgeS: 60,
		Reading: &ReadingView{DoneMS: 92_000, TotalMS: 260_000, LeftMS: 175_000, CountdownS: 4, AttendanceS: 47, PurgeS: 52},
	}
	for i, bar := range g.Bars {
		sb := StationBar{GateBar: bar, Ask: asks[bar.Key], Needs: needs[bar.Key], Fields: fields[bar.Key], Answered: bar.Up, Open: i == 2}
		switch bar.Key {
		case "eyewear":
			sb.Unfit = []PairView{{Label: "pair 2", Marking: "180-460 OD 6", LookedAt: at(9, 1), Why: "damaged: not to be worn"}}
			sb.AskYes = &FieldView{ID: "f-eyewear-on", Key: "on", Title: "Pair on, everybody inside", Kind: "yes"}
		case "extinguisher":
			sb.AskYes = &FieldView{ID: "f-ext-reach", Key: "reach", Title: "Within reach", Kind: "yes"}
		case "supply":
			sb.AskYes = &FieldView{ID: "f-supply-on", Key: "on", Title: "The supply is on", Kind: "yes"}
		}
		run.Bars = append(run.Bars, sb)
	}
	if phase != "checking" && phase != "proposed" {
		run.Gate = sampleGate(5)
	}
	switch phase {
	case "paused":
		run.Reason, run.GoesOn = "attendance missed", "The carriage goes back a little and comes up to speed before the beam is on again."
	case "purging", "inspecting":
		run.Outcome = "completed"
	}
	v := StationView{Shell: sampleShell("Bay 2 · diode, open", "/stations"), Machine: sampleMachines[1],
		WorkerURL: "https://bay2.example:8443", Run: run, Eyewear: true}
	if phase == "inspecting" {
		v.Watch = &WatchView{Path: "/machines/0190a000-0000-7000-8000-000000000002/watch", By: "Runa Eik", Until: at(14, 41), Due: at(14, 13), Seen: at(14, 3), Mine: true}
	}
	return v
}

func samplePlanView() *PlanView {
	return &PlanView{
		Digest: "a3", Short: "a3f01c55", Planner: plan.Version, Picture: PlanSVG(samplePlan(), "plan"), Strip: StripSVG(samplePlan(), "plan-strip"), Pieces: "1 piece, 2 drop-outs", Steps: "/api/v1/plans/a3/steps",
		Numbers: []NumberView{
			{Name: "takes", Value: "4 min 20 s", Inputs: []string{"beam on 2 min 51 s", "travel 1 min 2 s", "switch delays and rests 27 s"}},
			{Name: "size", Value: "162 × 88 mm", Inputs: []string{"x 24 to 186 mm, y 18 to 106 mm from the sheet’s corner"}},
			{Name: "work", Value: "0.77 m", Inputs: []string{"cut 0.63 m", "mark 140 mm"}},
			{Name: "sheet", Value: "300 × 180 mm"},
		},
		Warnings: []Reason{{What: "Hole B is closer to the edge than two thicknesses", Next: "move it 2 mm inward if the sign will hang on it"}},
		Legend:   Legend(samplePlan()),
	}
}

func sampleHandIn() HandInView {
	choices := func(chosen string) []OperationChoice {
		var all []OperationChoice
		for _, op := range []string{"cut", "mark", "engrave"} {
			all = append(all, OperationChoice{Value: op, Chosen: op == chosen})
		}
		return all
	}
	return HandInView{
		Shell: sampleShell("Hand in", "/hand-in"),
		Tools: []ToolChoice{{Value: "1|beam", Label: "Bay 1 · CO₂, lidded: beam"}, {Value: "2|beam", Label: "Bay 2 · diode, open: beam", Chosen: true},
			{Value: "3|pen", Label: "Bay 3 · pen plotter: pen", Note: "locked out"}},
		Materials: []MaterialChoice{
			{Name: "plywood, birch", Verdict: "allowed", Stock: []StockChoice{{Value: "p118", Label: "lot P118, pale, 3 mm, 300 × 180 mm, 11 free", Chosen: true}}},
			{Name: "felt, wool", Verdict: "with care", Stock: []StockChoice{{Value: "f2", Label: "lot F2, grey, 2 mm, 300 × 200 mm, 4 free"}}},
			{Name: "vinyl sheet", Verdict: "forbidden", Stock: []StockChoice{{Value: "v1", Label: "lot V1, white, 1 mm", Forbids: true}}},
		},
		DrawingID: "0190a000-0000-7000-8000-0000000000d1", DrawingName: "thyme.svg",
		Groups: []GroupView{
			{Letter: "A", Words: "layer “outline”, line #1c1a17, 1 shape, 503 mm", Choices: choices("cut")},
			{Letter: "B", Words: "layer “holes”, line #1c1a17, 2 shapes, 75 mm", Choices: choices("cut")},
			{Letter: "C", Colour: "#5b2a63", Words: "no layer, line #5b2a63, 1 shape, 140 mm", Choices: choices("mark")},
		},
		Usual: []NumberChoice{{Name: "columns", Label: "columns of it on the sheet", Value: "2"}, {Name: "gap", Label: "gap between them", Unit: "mm", Value: "3.5"}},
		More: []ChoiceSet{
			{Name: "Holding tabs", Words: "Short parts that are left standing.", Open: true, Fields: []NumberChoice{{Name: "tabs", Label: "tabs on each outline", Hint: "none", Value: "3"}}},
			{Name: "Cutting", Words: "Where a cut runs.", Kerf: true},
		},
		MoreOpen: true,
		Plan:     samplePlanView(), JobTitle: "thyme", Copies: 1, MaxCopies: 200,
	}
}

func sampleJob() JobView {
	g := sampleGate(5)
	v := JobView{
		Shell: sampleShell("bed sign “thyme”", "/"), ID: "0190a000-0000-7000-8000-0000000000b1", Rev: 3,
		JobTitle: "bed sign “thyme”", State: "in progress", Member: "Kari Berg", Machine: sampleMachines[1], Tool: "beam",
		Material: "plywood, birch", Lot: "P118", Copies: 6, SubmittedAt: at(9, 12), DrawingID: "d1", DrawingName: "thyme.svg",
		Plan: samplePlanView(), MayWithdraw: true, MayRepeat: true, NotBefore: atp(15, 5), ReadyBy: atp(15, 20), Place: 2, Why: "the order of arrival", PaceRuns: 40, Called: atp(14, 3), CalledRun: "r41",
		Runs: []RunView{
			{ID: "r41", Number: 41, Copy: 3, Copies: 6, Phase: "checking", Words: "At the gate: Runa Eik is answering the checklist.", Gate: nil},
			{ID: "r39", Number: 39, Copy: 2, Copies: 6, Phase: "closed", Outcome: "completed", Words: "Every stroke was done; the sheet was kept.",
				Operator: "Runa Eik", StartedAt: atp(13, 31), EndedAt: atp(13, 36), PlannedMS: 260_000, RealMS: 271_000, SheetFate: "kept", Origin: "x 40, y 30 mm",
				Gate: &g},
		},
	}
	for _, b := range g.Bars {
		said := ""
		for i, s := range b.Said {
			if i > 0 {
				said += ", "
			}
			said += s
		}
		v.Runs[1].Answers = append(v.Runs[1].Answers, AnswerView{Title: b.Title, Said: said})
	}
	return v
}

func sampleLogbook() LogbookView {
	v := LogbookView{Shell: sampleShell("Logbook", "/logbook"), Size: 1204, MayProve: true, Older: "/logbook?before=1196",
		Kinds:    []KindChoice{{Value: "run", Label: "runs"}, {Value: "answer.given", Label: "answer given"}},
		Machines: []MachineChoice{{Value: "2", Label: "Bay 2 · diode, open"}},
		Report: &CheckView{Good: true, At: sampleNow, TookMS: 240, Checked: []string{
			"1,204 entries, gapless, each hash recomputed, up to the root", "12 heads: signatures, and that each grew out of the one before",
			"41 runs held to the phase table", "40 permits: signature, and that each started at most one run"}},
	}
	for i, e := range []struct{ who, what, kind, on string }{
		{"Runa Eik", "answered an item: extinguisher", "answer.given", "run 41, Bay 2 · diode, open"},
		{"Runa Eik", "answered an item: eyewear", "answer.given", "run 41, Bay 2 · diode, open"},
		{"Runa Eik", "opened the checklist", "run.opened", "run 41, Bay 2 · diode, open"},
		{"the system", "kept a signed head", "head.kept", ""},
		{"Tove Lind", "recorded the inspection", "run.inspected", "run 40, Bay 1 · CO₂, lidded"},
	} {
		v.Entries = append(v.Entries, EntryView{Index: int64(1203 - i), At: sampleNow.Add(-time.Duration(i) * 47 * time.Second),
			Who: e.who, What: e.what, Kind: e.kind, On: e.on})
	}
	return v
}

func sampleIncident() IncidentView {
	return IncidentView{Shell: sampleShell("Incident", "/incidents"), IncidentRow: IncidentRow{ID: "i1", Kind: "exposure", Machine: "Bay 2, diode, open", What: "The lid was opened while the beam was on.", Severity: "none", Potential: "lasting harm", RunID: "r1", RunNumber: 40, At: sampleNow, Open: 1},
		Reporter: "somebody at the station tablet at bay 2", ReportedAt: sampleNow, MayNote: true, MayFollow: true, MayClose: true, FirstAid: true, Beams: []string{"445 nm, at most 5 W, continuous wave"},
		Notes: []NoteRow{{About: "root cause", Text: "The magnet had come off the lid switch.", By: "Runa Eik", At: sampleNow}}, NoteAbout: []string{"fact", "root cause"}, Remedies: []string{"elimination", "engineering"}, Due: "2026-12-09",
		Particulars: []Fact{{"who was hurt", "nobody"}}, People: []Choice{{"p1", "Tove Lind"}}, Deadlines: []DeadlineRow{{Law: "US, 29 CFR 1904", What: "a stay in hospital as an in-patient", Source: "29 CFR 1904.39", Until: sampleNow.Add(24 * time.Hour)}},
		BeamSheet: "/machines/1/beam-sheet", Linked: []LinkedRun{{ID: "r2", Title: "Drawer fronts", Number: 39}}, Told: "reported as none, could have been treatment", Clearing: &ComputedView{Shown: "4000 s"},
		Clock: "Earliest: Thu 26 Nov 2026. Ask before then.", Filled: []NoteRow{{By: "Runa Eik", At: sampleNow}}, Rev: 3, Severities: []Role{{Value: "none", Label: "none", Chosen: true}}, Potentials: []Role{{Value: "none", Label: "none"}}, Fields: sampleFields(),
		FollowUps: []FollowUpRow{{ID: "f1", What: "Screw the magnet on", Remedy: "engineering", Owner: "Tove Lind", Due: sampleNow.AddDate(0, 0, -1), Overdue: true, Mine: true}}}
}

func sampleFields() []ParticularField {
	return []ParticularField{{Name: "hurt", Label: "Who was hurt", Hint: "a name"}, {Name: "hospital", Label: "Taken to a hospital", Yes: true, Ticked: true}, {Name: "days_off", Label: "Days off", Number: true, Value: "3"}}
}

func samplePeople() PeopleView {
	row := AuthorisationRow{ID: "a1", Machine: "CO₂, lidded", Evidence: "supervised run", GrantedBy: "Runa Eik", GrantedAt: sampleNow.AddDate(-1, 0, 12),
		Until: sampleNow.AddDate(0, 0, 12), IdleMonths: 6, Soon: "ends in 12 days"}
	return PeopleView{Shell: sampleShell("People", "/people"), MayInvite: true, Link: "https://garden.example/join/AAAA-BBBB-CCCC-DDDD", LinkFor: "Ida Moe",
		Roles:       []Role{{Value: "member", Label: "member", Chosen: true}, {Value: "officer", Label: "safety officer"}, {Value: "admin", Label: "admin"}},
		People:      []PersonRow{{ID: "p1", Name: "Tove Lind", SignIn: "tove", Role: "member", Authorisations: []AuthorisationRow{row}}, {ID: "p2", Name: "Runa Eik", SignIn: "runa", Role: "safety officer", Closed: true}},
		Invitations: []InvitationRow{{ID: "i1", Name: "Ida Moe", Role: "member", Until: sampleNow.AddDate(0, 0, 7)}}}
}

type samplePage struct {
	name   string
	render func(io.Writer) error
}

func samplePages() []samplePage {
	all := []samplePage{
		{"sign-in", func(w io.Writer) error {
			v := SignInView{Shell: sampleShell("Sign in", "/sign-in"), Next: "/"}
			v.Person = nil
			return RenderSignIn(w, v)
		}},
		{"board", func(w io.Writer) error {
			return RenderBoard(w, BoardView{Shell: sampleShell("Board", "/"), Lanes: sampleLanes()})
		}},
		{"hand-in", func(w io.Writer) error {
			v := sampleHandIn()
			v.DrawingID, v.DrawingName, v.Plan = "", "", nil
			return RenderHandIn(w, v)
		}},
		{"hand-in-plan", func(w io.Writer) error { return RenderHandIn(w, sampleHandIn()) }},
		{"hand-in-refused", func(w io.Writer) error {
			v := sampleHandIn()
			v.Plan = nil
			v.Problem = &Problem{Title: "No plan can be made", Reasons: []Reason{
				{What: "The drawing is larger than the sheet", Next: "scale it down or choose a larger lot", Limit: "300 × 180 mm", Value: "412 × 90 mm"},
				{What: "No proven setting for engrave on felt, wool 2 mm", Next: "choose another operation for C, or ask an operator to prove one"}}}
			return RenderHandIn(w, v)
		}},
		{"job", func(w io.Writer) error { return RenderJob(w, sampleJob()) }},
		{"stations", func(w io.Writer) error {
			return RenderStations(w, StationsView{Shell: sampleShell("Stations", "/stations"), Lanes: sampleLanes()})
		}},
		{"machine", func(w io.Writer) error { return RenderMachine(w, sampleMachinePage()) }},
		{"calibration", func(w io.Writer) error { return RenderCalibration(w, sampleCalibration()) }},
		{"settings-grid", func(w io.Writer) error { return RenderSettingsGrid(w, sampleGrid()) }},
		{"watch", func(w io.Writer) error {
			return RenderWatch(w, WatchPageView{Shell: sampleShell("Fire watch", "/stations"), Machine: sampleMachines[0], MayKeep: true, Edition: "NFPA 51B-2019",
				Watch: &WatchView{Path: "/machines/1/watch", By: "Tove L.", Until: at(14, 41), Due: at(13, 58), Seen: at(13, 48), Missed: true}, Looks: []LookView{{At: at(13, 48), By: "Tove L."}}})
		}},
		{"beam-sheet", func(w io.Writer) error {
			return RenderBeamSheet(w, BeamSheetView{Shell: sampleShell("Beam data sheet", "/stations"), Machine: sampleMachines[0], Profile: "c0ffee", MayMeasure: true, Room: "80", Clearing: ComputedView{WhyNot: "missing: the outside air that the room gets"},
				Beams: []BeamRow{{Tool: "beam", Facts: []Fact{{"wavelength", "445 nm"}}, Computed: []ComputedView{{Title: "Eyewear density", Shown: "OD 4.2"}}}}})
		}},
		{"site", func(w io.Writer) error {
			return RenderSite(w, SiteView{Alone: true, MayOffice: true, Contact: "the neighbour", Shell: sampleShell("Site", "/site"), Name: "garden", Kind: "workshop", OpenedAt: sampleNow, MayAdmin: true, Files: 300, MiB: 1024, Runs: 500, ToLookAt: 1,
				Steps:  []SiteStep{{What: "choose what kind of site this is"}, {What: "put a lot on the shelf", Href: "/materials", Done: true}},
				Health: []SiteHealth{{What: "Broker", Words: "connected"}, {What: "Backup", Words: "3 d ago, good: garden.backup", At: sampleNow, Look: true, Next: "At the server, every night: kerfgate backup FILE."}, {What: "Logbook checked", Words: "4 d ago, good", At: sampleNow, Check: true}}})
		}},
		{"fire-watch", func(w io.Writer) error {
			return RenderFireWatch(w, FireWatchView{Shell: sampleShell("Fire watch of this site", "/stations"), MayAct: true,
				Editions: []EditionRow{{Key: "nfpa-51b-2019", Name: "NFPA 51B-2019", Words: "one hour after hot work", Minutes: 60}}})
		}},
		{"commissioning", func(w io.Writer) error { return RenderCommissioning(w, sampleCommissioning()) }},
		{"commissioning-question", func(w io.Writer) error {
			return RenderCommissioningQuestion(w, CommissioningQuestionView{Shell: sampleShell("Commissioning", "/stations"), Path: "/machines/1/commissioning/ask/on", List: "/machines/1/commissioning",
				Before: "/machines/1/commissioning/ask/sensor", Machine: sampleMachines[0], Tool: "beam", Number: 7, Of: 13, Text: "How long is it from the command to the tool on?", Do: "Five tries or more.", Unit: "ms",
				BeamOn: true, Tries: []Try{{1, "12", true}, {2, "", false}}, Ways: []Ticked{{"a light sensor with a recorder", true}}, People: []Role{{Value: "p1", Label: "Runa Eik", Chosen: true}}})
		}},
		{"logbook", func(w io.Writer) error { return RenderLogbook(w, sampleLogbook()) }},
		{"logbook-sought", func(w io.Writer) error {
			v := sampleLogbook()
			v.Entries, v.Report, v.More = nil, nil, true
			return RenderLogbook(w, v)
		}},
		{"proof", func(w io.Writer) error {
			return RenderProof(w, ProofView{Shell: sampleShell("Proof", "/logbook"), Entry: sampleLogbook().Entries[0],
				Proof: "c2sp.org/tlog-proof@v1\nindex 1203\nbGFiZWxz\n"})
		}},
		{"head", func(w io.Writer) error {
			return RenderHead(w, HeadView{Shell: sampleShell("Head", "/logbook"), Head: sampleHead(), MayCheck: true})
		}},
		{"head-check", func(w io.Writer) error {
			return RenderHeadCheck(w, HeadCheckView{Shell: sampleShell("Check a head", "/logbook"), Text: "garden", Found: &HeadFound{Origin: "garden/logbook", Size: 1204, Now: 1300, Good: true, Cut: true}})
		}},
		{"head-check bad", func(w io.Writer) error {
			return RenderHeadCheck(w, HeadCheckView{Shell: sampleShell("Check a head", "/logbook"), Text: "garden", Found: &HeadFound{Origin: "garden/logbook", Size: 1204, Now: 1200, Shorter: true}})
		}},
		{"history", func(w io.Writer) error {
			return RenderHistory(w, HistoryView{Shell: sampleShell("What ran", "/history"), All: true, CSV: "/api/v1/runs/export?", Lines: "/api/v1/runs/export?format=jsonl", Older: "/history?after=1",
				Machines: []Role{{Value: "m1", Label: "Bay 1, CO₂, lidded", Chosen: true}}, Outcomes: []Role{{Value: "completed", Label: "completed"}},
				Runs: []OverRow{{ID: "r1", Title: "Bed signs", Machine: "Bay 1, CO₂, lidded", Member: "Tove Lind", Operator: "Runa Eik", Outcome: "completed", Number: 41, Copy: 1, Copies: 2, EndedAt: sampleNow, PlannedMS: 260_000, RealMS: 262_000},
					{ID: "r2", Title: "Drawer fronts", Machine: "Bay 2, diode, open", Member: "Tove Lind", Operator: "Runa Eik", Outcome: "stopped", Reason: "stopped by a person", Number: 40, Copy: 1, Copies: 1, EndedAt: sampleNow, PlannedMS: 760_000, RealMS: 62_000, Flame: true}}})
		}},
		{"run", func(w io.Writer) error {
			j := sampleJob()
			return RenderRun(w, RunPageView{Shell: sampleShell("Run", "/history"), RunView: j.Runs[0], JobID: j.ID, JobTitle: j.JobTitle, Member: j.Member,
				Machine: j.Machine, Tool: j.Tool, Material: j.Material, Lot: j.Lot, Plan: j.Plan, ReadsLog: true})
		}},
		{"incidents", func(w io.Writer) error {
			return RenderIncidents(w, IncidentsView{Shell: sampleShell("Incidents", "/incidents"), Incidents: []IncidentRow{sampleIncident().IncidentRow}, ToDo: []FollowUpRow{{Incident: "i1", What: "Screw the magnet on", Owner: "Tove Lind", Due: sampleNow, Overdue: true}},
				Rates: []RateRow{{Month: "November 2026", Kind: "near miss", Count: 2, Hours: "31.5", Rate: "6.3"}}})
		}},
		{"report", func(w io.Writer) error {
			v := ReportView{Shell: sampleShell("Report an incident", "/incidents"), Fields: sampleFields(), Station: "tablet at bay 1", LockOut: true, Machines: []Role{{Value: "m1", Label: "Bay 1, CO₂, lidded", Chosen: true}}}
			for _, k := range []string{"injury", "fire", "exposure", "damage", "near miss", "interlock defeat", "hazard observation"} {
				v.Kinds = append(v.Kinds, Role{Value: k, Label: k})
			}
			for _, h := range []string{"none", "first aid", "treatment", "lasting harm", "death"} {
				v.Severity, v.Potential = append(v.Severity, Role{Value: h, Label: h}), append(v.Potential, Role{Value: h, Label: h})
			}
			return RenderReport(w, v)
		}},
		{"incident", func(w io.Writer) error { return RenderIncident(w, sampleIncident()) }},
		{"eyewear", func(w io.Writer) error {
			return RenderEyewear(w, EyewearView{Shell: sampleShell("Eyewear", "/eyewear"), MayChange: true, Caution: "The person in charge of laser safety decides",
				Pairs: []EyewearRow{
					{ID: "p1", Rev: 1, Label: "pair 1", Marking: "180-460 OD 6", LookedAt: at(9, 0), LookedBy: "Jon S.",
						Beams: []EyewearBeam{{Machine: "Bay 2 · diode, open", Fits: true, Why: "Covers 180 to 460 nm with OD 6; this beam asks for OD 5.2 at 445 nm"}}},
					{ID: "p2", Rev: 2, Label: "pair 2", Marking: "180-460 OD 6", Damaged: true, LookedAt: at(9, 1), LookedBy: "Jon S.",
						Beams: []EyewearBeam{{Machine: "Bay 2 · diode, open", Why: "Damaged: not to be worn"}}}}})
		}},
		{"materials", func(w io.Writer) error { return RenderMaterials(w, sampleMaterials()) }},
		{"material", func(w io.Writer) error { return RenderMaterial(w, sampleMaterial()) }},
		{"queue", func(w io.Writer) error {
			at := func(h, m int) *time.Time {
				t := time.Date(2026, 11, 25, h, m, 0, 0, sampleNow.Location())
				return &t
			}
			return RenderQueue(w, QueueView{Shell: sampleShell("Queue", "/"), Machine: sampleMachines[0], MayTake: true, PaceRuns: 58, TypicalPercent: 104, SlowPercent: 131, More: 12, Places: []QueuePlace{
				{Ticket: Ticket{ID: "r42", Number: 42, Title: "bed sign “dill”", Copy: 1, Copies: 1, Who: "Kari B.", Reason: "its checklist is open", AtGate: true, TakesMS: 260_000, Start: at(14, 2), NotBefore: at(14, 8), ReadyBy: at(14, 10)}},
				{Ticket: Ticket{ID: "r43", Number: 43, Title: "label set", Copy: 2, Copies: 5, Who: "Runa E.", Mine: true, Href: "/jobs/1", Reason: "it is due, and would be late behind others", TakesMS: 900_000, Due: at(15, 0), Start: at(14, 9), NotBefore: at(14, 28), ReadyBy: at(14, 33)}, Next: true},
				{Ticket: Ticket{ID: "r44", Number: 44, Title: "drawer front", Copy: 1, Copies: 1, Who: "Siri N.", Reason: "its member had the least machine time lately, 0s", Waiting: "called, not here: the next one goes", TakesMS: 1_900_000, Due: at(14, 30), Late: true, Called: at(14, 1), Absent: true, Start: at(14, 30), NotBefore: at(15, 4), ReadyBy: at(15, 20)}},
				{Ticket: Ticket{ID: "r45", Number: 45, Title: "hinge sample", Copy: 1, Copies: 1, Who: "Siri N.", Reason: "no sheet of lot F2 is on the shelf", Waiting: "no sheet of lot F2 is on the shelf", TakesMS: 400_000}}}})
		}},
		{"upkeep", func(w io.Writer) error {
			return RenderUpkeep(w, UpkeepView{Shell: sampleShell("Upkeep", "/upkeep"), MayDo: true, MaySet: true, Machines: []Choice{{"m1", "Bay 1, CO₂, lidded"}}, Tasks: []UpkeepRow{
				{ID: "u1", Machine: "Bay 1, CO₂, lidded", What: "Try the lid switch", Every: "every 30 days", State: "overdue", Why: "31 of 30 days", Critical: true, Overdue: true, Since: sampleNow.AddDate(0, 0, -31), LastNote: "opens the circuit at once", LastBy: "Runa Eik"},
				{ID: "u2", Machine: "Bay 1, CO₂, lidded", What: "Clean the lens", Every: "every 7 days or 10 machine hours", State: "due soon", Why: "9.0 of 10 machine hours", Soon: true, Since: sampleNow}}})
		}},
		{"dossier", func(w io.Writer) error {
			j, done := sampleJob(), sampleNow.AddDate(0, 0, -3)
			head := sampleHead()
			return RenderDossier(w, DossierView{Shell: sampleShell("Dossier of a run", "/history"), RunView: j.Runs[0], JobTitle: j.JobTitle, Member: j.Member, Machine: j.Machine, Tool: j.Tool,
				Material: j.Material, Lot: j.Lot, Plan: j.Plan, PlanDigest: j.PlanDigest, SignedAt: sampleNow,
				Estimate:      []ComputedView{{Title: "Expected concentration of fume in the exhaust, an estimate", Shown: "29 mg/m³", Formula: "K·G/Q", Inputs: []string{"flow_m3_per_h 150"}, Origin: "equation sheet", Notes: []string{"an estimate"}}, {Title: "The same", WhyNot: "missing: the grammage of the lot"}},
				Authorisation: &samplePeople().People[0].Authorisations[0], Data: "/api/v1/runs/r1/dossier",
				Upkeep:   []UpkeepThen{{What: "Try the lid switch", By: "Runa Eik", Note: "opens the circuit at once", Critical: true, DoneAt: &done}, {What: "Clean the lens"}},
				Lockouts: []LockoutThen{{Reason: "smell of solvent", SetBy: "Runa Eik", SetAt: done, LiftedAt: &sampleNow, LiftedBy: "Runa Eik", LiftedReason: "a neighbour’s paint"}},
				Watches:  []WatchThen{{Watcher: "Runa Eik", OpenedAt: sampleNow, Until: sampleNow.Add(time.Hour), Looks: []LookView{{At: sampleNow, By: "Runa Eik"}}}}, Entries: sampleLogbook().Entries[:3], Proof: "c2sp.org/tlog-proof@v1\nindex 1203\nbGFiZWxz\n", Head: &head, PDF: "/api/v1/runs/r1/dossier.pdf",
				Incidents: []IncidentThen{{IncidentRow: sampleIncident().IncidentRow, Particulars: []Fact{{"injury", "none"}}, Notes: []NoteRow{{About: "fact", Text: "the lid stood open", By: "Runa Eik", At: done}},
					FollowUps: []FollowUpRow{{What: "mend the lid switch", Remedy: "engineering", Owner: "Runa Eik", Due: done}}}}})
		}},
		{"people", func(w io.Writer) error { return RenderPeople(w, samplePeople()) }},
		{"person", func(w io.Writer) error {
			return RenderPerson(w, PersonView{Shell: sampleShell("Tove Lind", "/people"), PersonRow: samplePeople().People[0], Rev: 3, AddedAt: sampleNow.AddDate(-1, 0, 0),
				MayChange: true, Groups: []string{"wood and board", "plastic"}, Roles: samplePeople().Roles, Machines: []Choice{{"m1", "Bay 1, CO₂, lidded"}, {"m2", "Bay 2, diode, open"}}, Until: "2027-11-25"})
		}},
		{"me", func(w io.Writer) error {
			return RenderMe(w, MeView{Shell: sampleShell("Your account", "/me"), SignIn: "tove", Role: "member", Authorisations: samplePeople().People[0].Authorisations,
				Passkeys: PasskeysView{Here: true, Rows: []PasskeyRow{{ID: "k1", Name: "phone", Added: sampleNow.AddDate(0, -2, 0), Used: &sampleNow}, {ID: "k2", Name: "security key", Added: sampleNow}}},
				Sessions: []SessionRow{{ID: "s1", What: "a browser", Since: sampleNow, Used: sampleNow, Until: sampleNow.Add(12 * time.Hour), Here: true},
					{ID: "s2", What: "token of label maker", Since: sampleNow.AddDate(0, -1, 0), Used: sampleNow, Until: sampleNow.AddDate(0, 5, 0)}},
				Until: "2027-05-25", Token: "q1w2e3r4t5z6u7i8o9p0"})
		}},
		{"join", func(w io.Writer) error {
			v := JoinView{Shell: sampleShell("Invitation", ""), Site: "Garden", Name: "Tove Lind", Path: "/join/AAAA-BBBB-CCCC-DDDD", MinPassword: 8}
			v.Person = nil
			return RenderJoin(w, v)
		}},
		{"problem", func(w io.Writer) error {
			return RenderProblem(w, ProblemView{Shell: sampleShell("Not found", ""), Detail: "There is no such page, or it is not yours.", RequestID: "0190"})
		}},
		{"station-idle", func(w io.Writer) error {
			v := sampleStation("proposed")
			v.Run, v.Person = nil, nil
			return RenderStation(w, v)
		}},
		{"station-locked", func(w io.Writer) error {
			v := sampleStation("proposed")
			v.Lockout, v.Run.MayOpen, v.Run.Gate.Locked = sampleLanes()[2].Lockout, false, true
			v.Run.Reasons = []Reason{{What: "the machine is locked out", Next: "a safety officer lifts the lockout"}}
			return RenderStation(w, v)
		}},
		{"station-placing", func(w io.Writer) error {
			v := sampleStation("checking")
			v.Run.Placed, v.Run.Bars[2].Open = nil, false
			v.Run.Picture = PlanSVG(samplePlan(), "plan")
			v.Run.Placing = samplePlacing()
			v.Run.Reasons = []Reason{{What: "The sheet is not placed", Next: "home the machine and set the origin"}}
			return RenderStation(w, v)
		}},
		{"station-extinguisher", func(w io.Writer) error {
			v := sampleStation("checking")
			v.Run.Bars[1].Open, v.Run.Bars[1].Up, v.Run.Bars[2].Open = true, false, false
			return RenderStation(w, v)
		}},
		{"station-ready", func(w io.Writer) error {
			v := sampleStation("checking")
			v.Run.Gate = sampleGate(5)
			for i := range v.Run.Bars {
				v.Run.Bars[i].GateBar, v.Run.Bars[i].Answered, v.Run.Bars[i].Open = v.Run.Gate.Bars[i], true, false
			}
			v.Run.Settled = true
			return RenderStation(w, v)
		}},
	}
	for _, phase := range []string{"proposed", "checking", "permitted", "starting", "running", "paused", "purging", "inspecting"} {
		all = append(all, samplePage{"station-" + phase, func(w io.Writer) error { return RenderStation(w, sampleStation(phase)) }})
	}
	return all
}

func sampleCommissioning() CommissioningView {
	rows := []CommissioningRow{
		{Path: "/machines/1/commissioning/ask/cable_pulled", Text: "How long does the beam stay on after the cable to the machine is pulled?", Answered: true, Said: "200, 310, 250 ms", How: "film of a known rate", Who: "Runa Eik", At: sampleNow},
		{Path: "/machines/1/commissioning/ask/flow", Text: "What flow does the extraction draw?", Answered: true, Unmeasured: true, Who: "Runa Eik", At: sampleNow},
	}
	return CommissioningView{Shell: sampleShell("Commissioning", "/stations"), Path: "/machines/1/commissioning", Machine: sampleMachines[0], MayAct: true,
		Verdict: BeamVerdict{What: "No beam runs: the cut-off of this machine is untested.", Cure: "Measure it."},
		Open: &CommissioningOpen{ID: "c1", Tool: "beam", BegunBy: "Runa Eik", BegunAt: sampleNow, Questions: rows, Done: 2, Verdict: BeamVerdict{Runs: true, What: "The beam is off at most 310 ms after this software is gone."},
			Changes: []CommissioningChange{{"Beam after the cable is pulled", "not measured", "310 ms"}}},
		Earlier: []CommissioningPast{{Tool: "beam", By: "Runa Eik", At: sampleNow, Ended: "given up", Questions: rows}}}
}

func sampleHead() Head {
	return HeadOf("garden.example/logbook\n1204\nbGFiZWxzbGFiZWxzbGFiZWxzbGFiZWxzbGFiZWxzMTI=\n\n— garden.example/logbook c2lnbmF0dXJl\n", sampleNow)
}
