// Package machine describes one piece of equipment as data: how far it moves, how fast, what it
// carries, how its beam is switched, what removes the beam's energy when software cannot.
package machine

import (
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
)

// Profile is one version of a machine's description. It is immutable once published and named by
// the digest of its canonical bytes; sign-offs and permits bind that digest.
type Profile struct {
	Name      string   `json:"name"`
	TravelUM  geom.Box `json:"travel"`     // where the carriage may be sent, machine coordinates
	HardStops geom.Box `json:"hard_stops"` // where it hits something; travel lies inside
	// SmallestStepUM is what one count of the drive moves the carriage, in micrometres.
	SmallestStepUM int64 `json:"smallest_step_um"`
	// DoseSharePermille is how far, in thousandths, the line dose of a setting may lie from what was proven
	// and still count as proven; 0 = the project's own 200.
	DoseSharePermille int64 `json:"dose_share_permille,omitempty"`
	// TravelSpeed is the speed of moves with the tool off; WorkSpeed the greatest with it on.
	TravelSpeedUMPerS int64 `json:"travel_speed_um_per_s"`
	WorkSpeedUMPerS   int64 `json:"work_speed_um_per_s"`
	AccelXUMPerS2     int64 `json:"accel_x_um_per_s2"`
	AccelYUMPerS2     int64 `json:"accel_y_um_per_s2"`
	// SpeedXUMPerS and SpeedYUMPerS are the greatest speed of each axis, where one of them is slower
	// than the speeds above; 0 = no bound of its own.
	SpeedXUMPerS      int64 `json:"speed_x_um_per_s,omitempty"`
	SpeedYUMPerS      int64 `json:"speed_y_um_per_s,omitempty"`
	CornerToleranceUM int64 `json:"corner_tolerance_um"`
	// BacklashXUM and BacklashYUM are what each axis loses when it turns round (ISO 230-2: reversal
	// value).
	BacklashXUM int64 `json:"backlash_x_um,omitempty"`
	BacklashYUM int64 `json:"backlash_y_um,omitempty"`
	// Geometry is what a calibration found of scale and squareness; nil = nothing is corrected.
	Geometry *Geometry `json:"geometry,omitempty"`
	// SupportUM is the distance from one support of the bed to the next, slats or cells; 0 = not known, so
	// nothing is said of pieces that may tip or fall.
	SupportUM  int64      `json:"support_um,omitempty"`
	PlacingX   Placing    `json:"placing_x"`
	PlacingY   Placing    `json:"placing_y"`
	Tools      []Tool     `json:"tools"`
	Enclosure  Enclosure  `json:"enclosure"`
	Air        Air        `json:"air"`
	CutOff     CutOff     `json:"cut_off"`
	Attendance Attendance `json:"attendance"`
	Driver     Driver     `json:"driver"`
}

// Tool is what the carriage can hold.
type Tool struct {
	Name         string `json:"name"` // "beam" or "pen", unique on the machine
	Kind         string `json:"kind"` // ToolBeam or ToolPen
	WavelengthNM int64  `json:"wavelength_nm,omitempty"`
	PowerMW      int64  `json:"power_mw,omitempty"`
	SpotUM       int64  `json:"spot_um"` // width of the line it leaves
	// BeamUM is the beam's diameter as it leaves the source and DivergenceURad its full angle in
	// microradians, both as a data sheet gives them (1/e²); 0 = not known, and then no scale number and
	// no distance is computed.
	BeamUM         int64 `json:"beam_um,omitempty"`
	DivergenceURad int64 `json:"divergence_urad,omitempty"`
	// FocalDistanceUM is from the face of the tool that its height is measured to, down to the surface that
	// is in focus; 0 = not known or fixed, and then no height is asked. FocusToleranceUM is how far it may
	// be off; 0 = 0.5 mm.
	FocalDistanceUM  int64 `json:"focal_distance_um,omitempty"`
	FocusToleranceUM int64 `json:"focus_tolerance_um,omitempty"`
	// LongestOn and Rest bound the duty: at most LongestOnMS of beam, then RestMS without; 0 = no bound.
	LongestOnMS int64  `json:"longest_on_ms,omitempty"`
	RestMS      int64  `json:"rest_ms,omitempty"`
	Switch      Switch `json:"switch"`
	// EyewearODTenths is the optical density that the pair must carry for this beam, in tenths (52
	// is OD 5.2), as the person in charge of laser safety entered it; shown and compared at the gate.
	EyewearODTenths int64 `json:"eyewear_od_tenths,omitempty"`
}

// Kinds of tools.
const (
	ToolBeam = "beam"
	ToolPen  = "pen"
)

// Switch is how a tool goes on and off.
type Switch struct {
	Kind       string `json:"kind"` // one of the Switch constants
	OnDelayMS  int64  `json:"on_delay_ms"`
	OffDelayMS int64  `json:"off_delay_ms"`
	JitterMS   int64  `json:"jitter_ms"`
	HasSensor  bool   `json:"has_sensor"`
	// Levels is true where power can be set between off and full.
	Levels bool `json:"levels"`
	// LeastPermille is the least power, in thousandths of full, at which the tool still works evenly;
	// 0 = 1.
	LeastPermille int64 `json:"least_permille,omitempty"`
	// InMotion is true where the machine takes a change of the tool between two moves without
	// stopping; only then can a line be run into, or power follow speed.
	InMotion bool `json:"in_motion,omitempty"`
}

// Kinds of switches: on while held, on at a level, or changing state at each pulse.
const (
	SwitchHold   = "hold"
	SwitchLevel  = "level"
	SwitchToggle = "toggle"
)

// Enclosure is what stands between the beam and eyes.
type Enclosure struct {
	Kind      string `json:"kind"` // EnclosureLidded, EnclosureOpen
	VolumeL   int64  `json:"volume_l,omitempty"`
	Interlock bool   `json:"interlock"` // the lid's own hardware chain takes the beam away
}

// Kinds of enclosures.
const (
	EnclosureLidded = "lidded"
	EnclosureOpen   = "open"
)

// Air is the extraction as commissioned.
type Air struct {
	CommissionedPa     int64 `json:"commissioned_pa,omitempty"`
	MeasuredFlowM3PerH int64 `json:"measured_flow_m3_per_h,omitempty"`
	// MixingFactor is K of the purge formula, 1 (perfect) to 10 (poor).
	MixingFactor int64 `json:"mixing_factor,omitempty"`
	// MinimumFlowPercent of CommissionedPa must be read before a run; 0 means 80.
	MinimumFlowPercent int64 `json:"minimum_flow_percent,omitempty"`
	// MeasuredOn is the day on which MeasuredFlowM3PerH was measured, YYYY-MM-DD; empty = nobody knows.
	MeasuredOn string `json:"measured_on,omitempty"`
	// Recirculates: the air goes through a filter back into the room, which counts as no outside air.
	Recirculates bool `json:"recirculates,omitempty"`
	// DuctMM is the inner diameter of the duct; 0 = not known.
	DuctMM int64 `json:"duct_mm,omitempty"`
	// FilterHours is how long the filter lasts as its maker says, and FilterSince the day on which the one in
	// use was put in, YYYY-MM-DD; 0 and empty where there is none or nobody knows.
	FilterHours int64  `json:"filter_hours,omitempty"`
	FilterSince string `json:"filter_since,omitempty"`
}

// OutsideM3PerH is the flow that takes smoke out of the building: none where the air comes back through a
// filter (recirculating boxes took particles and left formaldehyde and vapours: Jeong et al. 2024, abstract).
func (a Air) OutsideM3PerH() int64 {
	if a.Recirculates {
		return 0
	}
	return a.MeasuredFlowM3PerH
}

// CutOff is what was measured at commissioning: milliseconds of beam after the cause; a negative
// number or Tested == false means nobody has measured it, and then no beam runs (I15).
type CutOff struct {
	Tested          bool   `json:"tested"`
	CablePulledMS   int64  `json:"cable_pulled_ms"`
	WorkerKilledMS  int64  `json:"worker_killed_ms"`
	HostSuspendedMS int64  `json:"host_suspended_ms"`
	Means           string `json:"means"` // e.g. "supply relay with a timer of its own"
	// StopMS is from Stop run to the beam truly off; 0 = not measured. It counts like the others.
	StopMS int64 `json:"stop_ms,omitempty"`
}

// Attendance is how often the operator confirms being at the machine; zero means 60 s and 15 s.
type Attendance struct {
	EveryS int64 `json:"every_s,omitempty"`
	GraceS int64 `json:"grace_s,omitempty"`
}

// Driver says which driver talks to the machine and in which dialect.
type Driver struct {
	Kind string `json:"kind"` // DriverSimulated, DriverSerial, DriverProgram
	// MotionScale and WaitScale speed up simulated motion, and purge and watch; refused for other
	// kinds. Attendance and permit age always run in real time. Zero means 1.
	MotionScale int64 `json:"motion_scale,omitempty"`
	WaitScale   int64 `json:"wait_scale,omitempty"`
	// OwedBytes is how many bytes the machine may be owed before it must say taken.
	OwedBytes int64 `json:"owed_bytes,omitempty"`
	// Port, Program and Dialect describe a machine of iron: where it hangs and how it answers.
	Port    *Port    `json:"port,omitempty"`
	Program *Program `json:"program,omitempty"`
	Dialect *Dialect `json:"dialect,omitempty"`
	// Mechanics are the errors of a simulated machine; nil = it is built as the profile says.
	Mechanics *Mechanics `json:"mechanics,omitempty"`
}

// Kinds of drivers.
const (
	DriverSimulated = "simulated"
	DriverSerial    = "serial"
	DriverProgram   = "program"
)

// Digest names this version of the profile.
func (p Profile) Digest() (canon.Digest, error) { return canon.DigestOf(p) }

// Tool finds a tool by name.
func (p Profile) Tool(name string) (Tool, bool) {
	for _, t := range p.Tools {
		if t.Name == name {
			return t, true
		}
	}
	return Tool{}, false
}

// HasBeam says whether any tool of the machine is a beam, whatever it holds now.
func (p Profile) HasBeam() bool {
	for _, t := range p.Tools {
		if t.Kind == ToolBeam {
			return true
		}
	}
	return false
}

// LongestCutOffMS is the longest cut-off with which a beam may run (I15).
const LongestCutOffMS = 1000

// Worst is the longest of the measured times in milliseconds; ok is false where the cut-off was never
// tested, one of its three figures is missing, or only a second process takes the beam away.
func (c CutOff) Worst() (ms int64, ok bool) {
	if !c.Tested || c.Means == MeansProcess || c.CablePulledMS < 0 || c.WorkerKilledMS < 0 || c.HostSuspendedMS < 0 || c.StopMS < 0 {
		return 0, false
	}
	return max(c.CablePulledMS, c.WorkerKilledMS, c.HostSuspendedMS, c.StopMS), true
}
