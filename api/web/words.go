package web

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Duration writes milliseconds as people say them: "4 min 20 s", "1 h 5 min", "0.4 s".
// Over an hour the seconds are left out, under ten seconds a tenth is kept.
func Duration(ms int64) string {
	if ms < 0 {
		return "−" + Duration(-ms)
	}
	if 0 < ms && ms < 50 {
		return "under 0.1 s"
	}
	if tenths := (ms + 50) / 100; ms < 9_950 && tenths%10 != 0 {
		return fmt.Sprintf("%d.%d s", tenths/10, tenths%10)
	}
	s := (ms + 500) / 1000
	switch {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600:
		if s%60 == 0 {
			return fmt.Sprintf("%d min", s/60)
		}
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	}
	m := (s + 30) / 60
	if m%60 == 0 {
		return fmt.Sprintf("%d h", m/60)
	}
	return fmt.Sprintf("%d h %d min", m/60, m%60)
}

// Millimetres writes micrometres as a decimal without trailing zeros: 3050 is "3.05".
func Millimetres(um int64) string {
	sign := ""
	if um < 0 {
		sign, um = "−", -um
	}
	text := strings.TrimRight(fmt.Sprintf("%d.%03d", um/1000, um%1000), "0")
	return sign + strings.TrimSuffix(text, ".")
}

// Size writes a width and a height with the unit: "120 × 60.5 mm".
func Size(widthUM, heightUM int64) string {
	return Millimetres(widthUM) + " × " + Millimetres(heightUM) + " mm"
}

// Length writes a length of work: metres from one metre on, millimetres below, rounded for reading.
func Length(um int64) string {
	if um >= 1_000_000 {
		return strconv.FormatFloat(float64(um)/1e6, 'f', 2, 64) + " m"
	}
	return strconv.FormatInt((um+500)/1000, 10) + " mm"
}

// Clock writes a time of day with its date only where that is another day than now's.
func Clock(t, now time.Time) string {
	t = t.In(now.Location())
	if t.Year() == now.Year() && t.YearDay() == now.YearDay() {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

// Count writes a number and its noun: "1 bar", "3 bars".
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// Sentence begins with a capital letter, as people read.
func Sentence(s string) string {
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}
