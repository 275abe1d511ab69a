package machine

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Question is one thing that a commissioning measures or asks.
type Question struct {
	Key  string
	Text string // what is asked
	Do   string // how it is found out
	Unit string // of a number, empty for words
	// Tries is how many numbers are wanted at the least; 0 where words or one of Choices are asked.
	Tries       int
	Least, Most int64 // of each number
	Choices     []string
	Words       bool // other words than the choices will do
	// By are ways to find it out, the most exact first.
	By   []string
	take func(m *Measured, numbers []int64, words string)
}

// Keys of the questions.
const (
	AskCablePulled   = "cable_pulled"
	AskWorkerKilled  = "worker_killed"
	AskHostSuspended = "host_suspended"
	AskMeans         = "means"
	AskSwitch        = "switch"
	AskSensor        = "sensor"
	AskOn            = "on"
	AskOff           = "off"
	AskAnswered      = "answered"
	AskStop          = "stop"
	AskRepeatX       = "repeat_x"
	AskRepeatY       = "repeat_y"
	AskPressure      = "pressure"
	AskFlow          = "flow"
)

const (
	longestMS  = 3_600_000 // beyond any delay that somebody times by hand
	furthestUM = 10_000_000
	mostFlow   = 1_000_000
	mostTries  = 20
	mostMeans  = 200 // letters
	leastFalls = 3
	leastTries = 5
)

var (
	byLight   = []string{"a light sensor with a recorder", "film of a known rate, counted by frame", "the machine's own beam sensor"}
	bySight   = []string{"tried at the machine", "its data sheet or drawing"}
	byLength  = []string{"a dial gauge", "a caliper", "marks on a sheet, measured under a lens"}
	byWorker  = []string{ByWorker}
	byFlow    = []string{"an anemometer across the duct", "a flow hood or measuring pipe"}
	byGauge   = []string{"the machine's own gauge", "a pressure gauge held to the duct"}
	falls     = "Three tries or more. Count up to the first picture or sample without light, so that the figure is never too short."
	ownButton = "Keep the beam on by the machine's own test button. If the button itself keeps it on, give the time until what replaces this software takes it away. "
)

// ByWorker is the way of what the worker measures itself, when a person asks it to.
const ByWorker = "measured by the worker"

// WorkerMeasures says whether the worker can find out the answer to a question: how fast the machine answers a stop,
// and how far the spans differ that an axis measures when it finds its place.
func (p Profile) WorkerMeasures(key string) bool {
	switch key {
	case AskAnswered:
		return true
	case AskRepeatX:
		return p.PlacingX.How == PlacingMiddleOfSpan
	case AskRepeatY:
		return p.PlacingY.How == PlacingMiddleOfSpan
	}
	return false
}

// Questions are what a commissioning with a tool of that kind asks, in order.
func Questions(toolKind string) []Question {
	var all []Question
	if toolKind == ToolBeam {
		fall := func(key, text, do string, take func(m *Measured, n []int64, _ string)) Question {
			return Question{Key: key, Text: text, Do: ownButton + do + " " + falls, Unit: "ms", Tries: leastFalls, Most: longestMS, By: byLight, take: take}
		}
		all = append(all,
			fall(AskCablePulled, "How long does the beam stay on after the cable to the machine is pulled?", "Pull the cable.",
				func(m *Measured, n []int64, _ string) { m.CablePulledMS = n }),
			fall(AskWorkerKilled, "How long does the beam stay on after the worker is killed?", "End the worker's process by kill -9.",
				func(m *Measured, n []int64, _ string) { m.WorkerKilledMS = n }),
			fall(AskHostSuspended, "How long does the beam stay on after the worker's host is suspended?", "Suspend the host.",
				func(m *Measured, n []int64, _ string) { m.HostSuspendedMS = n }),
			Question{Key: AskMeans, Text: "What takes the beam away when this software is gone?", Do: "A second process does not count: say so if there is nothing else, and no beam runs.",
				Choices: []string{MeansSpring, MeansTimer, MeansRelay, MeansProcess}, Words: true, By: bySight, take: func(m *Measured, _ []int64, w string) { m.Means = w }})
	}
	delay := func(key, text string, take func(m *Measured, n []int64, _ string)) Question {
		return Question{Key: key, Text: text, Do: "Five tries or more; their mean becomes the delay, their spread the jitter.", Unit: "ms", Tries: leastTries, Most: longestMS, By: byLight, take: take}
	}
	repeat := func(key, axis string, take func(m *Measured, n []int64, _ string)) Question {
		return Question{Key: key, Text: "How well does " + axis + " find its place again?", Do: "Let the axes find their place five times or more. Each time measure where " + axis + " stands, from any fixed point.",
			Unit: "µm", Tries: leastTries, Least: -furthestUM, Most: furthestUM, By: append(slices.Clone(byLength), ByWorker), take: take}
	}
	return append(all,
		Question{Key: AskSwitch, Text: "How is the tool switched?", Do: "hold: on while it is held. level: on at a level. toggle: it changes at each pulse; for a beam that needs a sensor.",
			Choices: []string{SwitchHold, SwitchLevel, SwitchToggle}, By: bySight, take: func(m *Measured, _ []int64, w string) { m.SwitchKind = w }},
		Question{Key: AskSensor, Text: "Does a sensor say whether the tool is on?", Do: "Cover it, or take its plug out, and see that the answer changes.", Choices: []string{"yes", "no"}, By: bySight,
			take: func(m *Measured, _ []int64, w string) { m.HasSensor = w == "yes" }},
		delay(AskOn, "How long is it from the command to the tool on?", func(m *Measured, n []int64, _ string) { m.OnMS = n }),
		delay(AskOff, "How long is it from the command to the tool off?", func(m *Measured, n []int64, _ string) { m.OffMS = n }),
		Question{Key: AskAnswered, Text: "How fast does the machine answer a stop?", Do: "Nothing moves: the worker stops the resting machine five times and waits each time for it to say that its tool is off. The machine homes anew afterwards.",
			Unit: "ms", Tries: leastTries, Most: longestMS, By: byWorker, take: func(m *Measured, n []int64, _ string) { m.AnsweredMS = n }},
		Question{Key: AskStop, Text: "How long is it from a press of Stop run to the tool truly off?", Do: "Film screen and tool together. Five tries or more; the longest counts.", Unit: "ms", Tries: leastTries, Most: longestMS, By: byLight[:2],
			take: func(m *Measured, n []int64, _ string) { m.StopMS = n }},
		repeat(AskRepeatX, "X", func(m *Measured, n []int64, _ string) { m.RepeatXUM = n }),
		repeat(AskRepeatY, "Y", func(m *Measured, n []int64, _ string) { m.RepeatYUM = n }),
		Question{Key: AskPressure, Text: "What does the extraction's gauge read?", Do: "Clean filter, lid closed, extraction at its usual setting.", Unit: "Pa", Tries: 1, Least: 1, Most: mostFlow, By: byGauge,
			take: func(m *Measured, n []int64, _ string) { m.FlowPa = n[0] }},
		Question{Key: AskFlow, Text: "What flow does the extraction draw?", Do: "Measured in the duct; what is printed on the fan is blown into free air and is no flow.", Unit: "m³/h", Tries: 1, Least: 1, Most: mostFlow, By: byFlow,
			take: func(m *Measured, n []int64, _ string) { m.FlowM3H = n[0] }},
	)
}

// Read reads an answer as it was typed: numbers with spaces between, or words. The error says what is
// wrong with it, for whoever typed it.
func (q Question) Read(text string) (numbers []int64, words string, err error) {
	text = strings.TrimSpace(text)
	if q.Tries == 0 {
		return nil, text, q.Check(nil, text)
	}
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ';' || r == '\t' || r == '\n' || r == '\r' }) {
		v, err := strconv.ParseInt(word, 10, 64)
		if err != nil {
			return nil, "", fmt.Errorf("%q is no whole number of %s", word, q.Unit)
		}
		numbers = append(numbers, v)
	}
	return numbers, "", q.Check(numbers, "")
}

// Check says what is wrong with an answer.
func (q Question) Check(numbers []int64, words string) error {
	if q.Tries == 0 {
		switch {
		case words == "" || len(numbers) > 0:
			return fmt.Errorf("say one of: %s", strings.Join(q.Choices, ", "))
		case !q.Words && !slices.Contains(q.Choices, words):
			return fmt.Errorf("%q is none of %s", words, strings.Join(q.Choices, ", "))
		case utf8.RuneCountInString(words) > mostMeans:
			return fmt.Errorf("at most %d letters", mostMeans)
		}
		return nil
	}
	most := mostTries
	if q.Tries == 1 {
		most = 1
	}
	if len(numbers) < q.Tries || len(numbers) > most || words != "" {
		if most == 1 {
			return fmt.Errorf("one number in %s is wanted", q.Unit)
		}
		return fmt.Errorf("%d tries are given, %d to %d are wanted, in %s with spaces between", len(numbers), q.Tries, most, q.Unit)
	}
	for _, v := range numbers {
		if v < q.Least || v > q.Most {
			return fmt.Errorf("%d %s lies outside %d to %d", v, q.Unit, q.Least, q.Most)
		}
	}
	return nil
}

// Take puts a checked answer into what was measured. Errors are Check's.
func (q Question) Take(m *Measured, numbers []int64, words string) error {
	if err := q.Check(numbers, words); err != nil {
		return err
	}
	q.take(m, numbers, words)
	return nil
}
