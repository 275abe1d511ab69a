package db

import (
	"strings"
	"unicode/utf8"
)

func reasonFits(reason string) bool {
	return strings.TrimSpace(reason) != "" && utf8.RuneCountInString(reason) <= 500
}

// reasonWithin is a reason without the blanks around it, and whether it is one, of at most so many letters.
func reasonWithin(reason string, most int) (string, bool) {
	reason = strings.TrimSpace(reason)
	return reason, reason != "" && utf8.RuneCountInString(reason) <= most
}
