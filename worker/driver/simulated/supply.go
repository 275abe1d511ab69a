package simulated

import (
	"math"
	"math/rand/v2"
)

// supply is the imaginary source of the tool's energy. It follows its command late, as the
// profile's switch does, and only while its enabling contact is closed. A pen is a supply without
// power.
type supply struct {
	onDelay, offDelay, jitter float64 // seconds
	fullMW                    float64
	rand                      *rand.Rand

	enabled   bool
	commanded bool    // what it was told
	level     float64 // fraction of full power that it was told
	on        bool    // what it does
	changed   float64 // when on last changed
	due       float64 // when it will follow the command; +Inf when it already does
}

// command tells the supply to go on or off. Only the last command counts: an earlier one that has
// not come into effect is forgotten.
func (s *supply) command(now float64, on bool, level float64) {
	on = on && s.enabled
	again := on == s.commanded
	s.commanded = on
	if on {
		s.level = level
	}
	if again { // a repeated command does not start the delay anew
		return
	}
	if s.on == on {
		s.due = math.Inf(1)
		return
	}
	delay := s.offDelay
	if on {
		delay = s.onDelay
	}
	if s.jitter > 0 {
		delay += s.jitter * s.rand.Float64()
	}
	s.due = now + delay
}

// follow makes the last command effective.
func (s *supply) follow(now float64) {
	s.due = math.Inf(1)
	s.on, s.changed = s.commanded, now
}

// powerMW is what the tool gives now, in milliwatts.
func (s *supply) powerMW() float64 {
	if !s.on {
		return 0
	}
	return s.fullMW * s.level
}
