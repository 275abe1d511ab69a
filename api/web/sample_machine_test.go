package web

// Samples of the machine's pages.

func sampleMachinePage() MachinePageView {
	at := sampleNow
	return MachinePageView{Shell: sampleShell("Machine", "/stations"), Path: "/machines/1", Machine: sampleMachines[0], MayHandle: true, MayLift: true, Commissions: true,
		Profile: []ProfilePart{{Head: "Ways", Says: []Said{{"travel", "320 mm × 320 mm"}, {"smallest step", "0.05 mm"}}},
			{Head: "How true, as calibrated", Says: []Said{{"x", "goes 420.0 µm too far on 100 mm"}, {"squareness", "y leans 0.100° towards +x, 174.5 µm on 100 mm"}}}},
		Calibration: CalibrationState{Word: "overdue", Late: true, Why: "calibrated 190 days ago, due every 180", Due: "Measured 2 January 2026; due by 1 July 2026 or after 12 more machine hours.", Days: 180, Hours: 200},
		History: []CalibrationRow{{Href: "/calibrations/1", At: at, By: "Runa Eik", State: "to be measured", Pending: true},
			{Href: "/calibrations/2", At: at, By: "Runa Eik", State: "accepted", Found: "1840 µm off at the far corner of the bed, ± 160 µm"}},
		Settings: []SettingRow{{Material: "poplar plywood", Colour: "natural", Thickness: "3 mm", Tool: "beam", Operation: "cut", Setting: "12 mm/s, 90 %", Dose: "3 J/mm", Kerf: "kerf 0.15 mm",
			Evidence: "settings grid, run 14", RunHref: "/runs/1"}},
		Grids:    []GridRow{{Href: "/settings-grids/1", What: "cut felt, green, 2 mm", By: "Runa Eik", State: "to be chosen from", At: at, Pending: true}},
		Hours:    "Ran 41 h 5 min in all, machine time of all runs that are over.",
		Lockouts: []LockoutRow{{Reason: "Lid hinge loose", By: "Runa Eik", At: at, LiftedBy: "Odd Lind", LiftedAt: &at, LiftedReason: "hinge mended"}},
		Tools:    []Choice{{"beam", "beam"}, {"pen", "pen"}}, Stocks: []Choice{{"s1", "poplar plywood, natural, 3 mm, lot P118"}}, Sides: "60 to 1000 mm"}
}

func sampleCalibration() CalibrationView {
	stamp := &Stamp{By: "Runa Eik", At: sampleNow}
	return CalibrationView{Shell: sampleShell("Calibration", "/stations"), Path: "/calibrations/1", MachinePath: "/machines/1", Machine: sampleMachines[0], Rev: 3, State: "to be decided",
		Size: "120 × 100 mm", StartedBy: "Runa Eik", StartedAt: sampleNow, Run: RunLink{Number: 14, Href: "/runs/1", Words: "completed"},
		Picture:    &PatternPicture{Width: "136", Height: "116", Lines: []string{"M3 113L8 113L8 103"}, Marks: []PatternMark{{"A", "9", "107"}}},
		MayMeasure: true, MayDecide: true, MayRefuse: true, UncertainMM: "0.06", Measured: stamp,
		Distances: []DistanceRow{{Name: "A-B", How: "between upright lines", Nominal: "120.00", First: "120.5", Residual: "+3 µm", FieldName: "d-a-b"},
			{Name: "A-C", How: "from crossing to crossing", Nominal: "156.20", First: "157.1", Second: "157.12", Residual: "-212 µm", Doubted: true, FieldName: "d-a-c"}},
		Found: []FoundRow{{What: "Scale of x", Words: "goes 420.0 µm too far on 100 mm", Value: "4200 ppm", Uncertain: "310 ppm", Clear: true},
			{What: "Backlash of y", Words: "is lost at each turn, besides what is made up for", Value: "12 µm", Uncertain: "40 µm"}},
		Bed: "1840 µm", BedUncertain: "160 µm", Spread: "Single distances scatter by 28 µm, 30 µm were to be expected; 5 more were measured than are needed.", Outlier: "A-C",
		Changes: []CommissioningChange{{"Scale of x", "goes as far as it is told", "goes 420.0 µm too far on 100 mm"}}}
}

func sampleGrid() GridView {
	v := GridView{Shell: sampleShell("Settings grid", "/stations"), Path: "/settings-grids/1", MachinePath: "/machines/1", Machine: sampleMachines[0], Rev: 2, What: "cut felt, green, 2 mm",
		MadeBy: "Runa Eik", MadeAt: sampleNow, Run: RunLink{Number: 15, Href: "/runs/2", Words: "stopped"}, Flame: true, MayChoose: true, AsksKerf: true, Powers: []string{"20 %", "40 %", "60 %", "80 %", "100 %"}}
	for i, speed := range []string{"40 mm/s", "20 mm/s"} {
		row := GridSpeed{Speed: speed}
		for k, power := range v.Powers {
			n := 2*k + i
			row.Cells = append(row.Cells, GridCell{Index: n, Order: n + 1, Setting: power, Dose: "0.4 J/mm", State: "worked", Whole: n < 6, Broken: n == 6, Cut: true, Weight: 1 + n/2})
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}
