package driver

import (
	"strconv"
	"strings"
)

// SwitchesOn says whether a line could switch the tool on: an M word that is 3 or 4 (ISO 6983-1),
// however it is written, or one that cannot be read.
func SwitchesOn(line string) bool {
	return anyWord(line, 'M', func(v float64, ok bool) bool { return !ok || v == 3 || v == 4 })
}

// SwitchesOff says whether a line ends with the tool off: an M word that is 2, 5 or 30 (ISO 6983-1).
func SwitchesOff(line string) bool {
	return anyWord(line, 'M', func(v float64, ok bool) bool { return ok && (v == 2 || v == 5 || v == 30) })
}

// Moves says whether a line names a place: an X or Y word.
func Moves(line string) bool {
	return strings.ContainsAny(line, "XYxy")
}

// anyWord says whether one of the words with a letter fits; ok is false for one without a number.
func anyWord(line string, letter byte, fits func(v float64, ok bool) bool) bool {
	for rest := strings.ToUpper(line); ; {
		i := strings.IndexByte(rest, letter)
		if i < 0 {
			return false
		}
		rest = strings.TrimLeft(rest[i+1:], " \t+")
		n := 0
		for n < len(rest) && (rest[n] >= '0' && rest[n] <= '9' || rest[n] == '.') {
			n++
		}
		v, err := strconv.ParseFloat(rest[:n], 64)
		if fits(v, err == nil) {
			return true
		}
	}
}
