package permit

import "math"

// Bounds of ages in seconds, on the worker's clock since it made the challenge.
const (
	MaxPermitAgeS = 60
	MaxLeaveAgeS  = 600
)

// maxUM bounds lengths at a kilometre, so that sums of a few of them never overflow.
const maxUM = 1_000_000_000

func (p *Permit) kind() string { return "permit" }

func (p *Permit) lines() []line {
	return []line{
		{"serial", id{&p.Serial}},
		{"run", id{&p.Run}},
		{"machine", id{&p.Machine}},
		{"machine-key", machineKey{&p.MachineKey}},
		{"plan", octets{v: p.Plan[:]}},
		{"placement", octets{v: p.Placement[:]}},
		{"profile", octets{v: p.Profile[:]}},
		{"stock", octets{v: p.Stock[:]}},
		{"sign-off", octets{v: p.SignOff[:]}},
		{"origin-x-um", number{&p.OriginXUM, -maxUM, maxUM}},
		{"origin-y-um", number{&p.OriginYUM, -maxUM, maxUM}},
		{"sheet-width-um", number{&p.SheetWUM, 1, maxUM}},
		{"sheet-height-um", number{&p.SheetHUM, 1, maxUM}},
		{"operator", id{&p.Operator}},
		{"epoch", octets{v: p.Epoch[:]}},
		{"challenge", octets{v: p.Challenge[:]}},
		{"age-limit-s", number{&p.AgeLimitS, 1, MaxPermitAgeS}},
		// All zero where no attendance is asked.
		{"attendance", octets{v: p.Attendance[:], zero: true}},
		{"log-size", number{&p.LogSize, 0, math.MaxInt64}},
		{"log-root", octets{v: p.LogRoot[:]}},
	}
}

func (g *Go) kind() string { return "go" }

func (g *Go) lines() []line {
	return []line{
		{"machine", id{&g.Machine}},
		{"run", id{&g.Run}},
		{"permit", octets{v: g.Permit[:]}},
		{"challenge", octets{v: g.Challenge[:]}},
		{"granted", yesNo{&g.Granted}},
		{"reason", reason{&g.Reason}},
	}
}

func (v *Void) kind() string { return "void" }

func (v *Void) lines() []line {
	return []line{
		{"machine", id{&v.Machine}},
		{"run", id{&v.Run}},
		{"permit", octets{v: v.Permit[:]}},
		{"reason", reason{&v.Reason}},
	}
}

func (r *Resume) kind() string { return "resume" }

func (r *Resume) lines() []line {
	return []line{
		{"machine", id{&r.Machine}},
		{"run", id{&r.Run}},
		{"operator", id{&r.Operator}},
		{"pause-token", octets{v: r.PauseToken[:]}},
	}
}

func (l *Leave) kind() string { return "leave" }

func (l *Leave) lines() []line {
	return []line{
		{"serial", id{&l.Serial}},
		{"machine", id{&l.Machine}},
		{"operator", id{&l.Operator}},
		{"epoch", octets{v: l.Epoch[:]}},
		{"challenge", octets{v: l.Challenge[:]}},
		{"age-limit-s", number{&l.AgeLimitS, 1, MaxLeaveAgeS}},
	}
}

func (l *Lockout) kind() string { return "lockout" }

func (l *Lockout) lines() []line {
	return []line{
		{"machine", id{&l.Machine}},
		{"locked", yesNo{&l.Locked}},
		{"log-index", number{&l.LogIndex, 0, math.MaxInt64}},
		{"reason", reason{&l.Reason}},
	}
}

func (a *Applied) kind() string { return "applied" }

func (a *Applied) lines() []line {
	return []line{
		{"machine", id{&a.Machine}},
		{"epoch", octets{v: a.Epoch[:]}},
		{"number", number{&a.Number, 0, math.MaxInt64}},
	}
}
