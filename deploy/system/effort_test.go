package system_test

import (
	"fmt"
	"strings"
	"time"
)

// effort is what a page asked of the person before it, told as time by a model of a person.
type effort struct {
	words, typed, taps, answers int
}

// How fast the person of the model is. Reading: 225 words a minute, below the mean of 238 for silent reading of
// English that M. Brysbaert found over 190 studies (Journal of Memory and Language 109, 2019; from memory).
// Typing: two characters a second, slower than what is published for thumbs on glass. A tap: 1.2 s, the
// pointing time of the keystroke-level model (Card, Moran and Newell, Communications of the ACM 23, 1980; from
// memory). Walking to gauge and door, and measuring, come on top.
const (
	wordsPerMinute = 225
	typedPerSecond = 2
	tapTime        = 1200 * time.Millisecond
)

// reads counts every word that is shown, also those that the person knows by heart.
func (e *effort) reads(text string) { e.words += len(strings.Fields(text)) }

func (e effort) time() time.Duration {
	return time.Duration(e.words)*time.Minute/wordsPerMinute + time.Duration(e.typed)*time.Second/typedPerSecond + time.Duration(e.taps)*tapTime
}

func (e effort) String() string {
	return fmt.Sprintf("%d answers, %d words, %d characters, %d taps: %s", e.answers, e.words, e.typed, e.taps, e.time().Round(time.Second))
}
