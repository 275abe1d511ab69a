package material

// LineDose is the energy that a tool of the given full power lays along each millimetre of a line, all passes
// counted, in µJ/mm: P/v, as calculators of line dose give it. 0 for a pen, which has no power.
func (s Setting) LineDose(powerMW int64) int64 {
	if s.SpeedUMPerS <= 0 {
		return 0
	}
	return powerMW * s.PowerPermille * s.Passes * 1000 / s.SpeedUMPerS
}
