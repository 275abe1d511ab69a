package browsertest

import (
	"fmt"
	"strings"
	"time"
)

// Effort is what a page asked of the person before it, told as time by a model of a person.
type Effort struct {
	Words, Typed, Taps, Answers int
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

// Reads counts every word that is shown, also those that the person knows by heart.
func (e *Effort) Reads(text string) { e.Words += len(strings.Fields(text)) }

// Time is how long all of it takes.
func (e Effort) Time() time.Duration {
	return time.Duration(e.Words)*time.Minute/wordsPerMinute + time.Duration(e.Typed)*time.Second/typedPerSecond + time.Duration(e.Taps)*tapTime
}

func (e Effort) String() string {
	return fmt.Sprintf("%d answers, %d words, %d characters, %d taps: %s", e.Answers, e.Words, e.Typed, e.Taps, e.Time().Round(time.Second))
}
