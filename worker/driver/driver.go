// Package driver is the seam between a worker and its machine.
package driver

import (
	"context"
	"errors"

	"kerfgate/plan/geom"
)

// Driver talks to one machine. One goroutine sends lines; Stop, Hold and Where may be called from
// any other at any time and never wait behind a line.
type Driver interface {
	// Open reaches the machine and returns when it answers. Errors say what to look at.
	Open(ctx context.Context) error
	// Home places the axes as the profile says, tool off.
	Home(ctx context.Context) error
	// Fit says which of the profile's tools is on the carriage: a person has put it there. Errors
	// where the machine has no such tool or is moving.
	Fit(tool string) error
	// Arm allows the tool to be switched on for the run named; without it every line that would
	// switch the tool on is refused with ErrNotArmed. Disarm takes it back.
	Arm(run [16]byte) error
	Disarm()
	// Send hands over one motion line (a block of ISO 6983 words) and returns when the machine
	// said taken. It blocks while the machine is owed as much as it may be. Errors: ErrRefused
	// with the machine's own words, ErrStopped after Stop, ErrLost when nothing answers.
	Send(ctx context.Context, line string) error
	// Drain returns when everything sent has been carried out.
	Drain(ctx context.Context) error
	// Hold switches the tool off and stops the carriage on its path; GoOn continues.
	Hold() error
	GoOn() error
	// HomeAgain lets the axes of a held machine that lost their place find it again, tool off; GoOn then
	// continues from where the tool went off. Errors: ErrRefused where it cannot, and nothing has changed.
	HomeAgain(ctx context.Context) error
	// Stop switches the tool off and forgets all lines, by a way of its own; it returns as soon as
	// the command is out. Idempotent. Reset makes the driver usable again after Stop.
	Stop() error
	Reset(ctx context.Context) error
	// Where is the carriage's position, whether it is placed, and whether the tool is on.
	Where() (Status, error)
	// Sheet is a picture (PNG) of what the machine did to its sheet since Arm, and the numbers;
	// nil where the machine cannot know.
	Sheet() (*Sheet, error)
	// Events tells what the machine does on its own: an alarm, a lid, a lost link. Closed by Close.
	Events() <-chan Event
	Close() error
}

// Status is a glance at the machine.
type Status struct {
	Position geom.Point
	Homed    bool
	ToolOn   bool
	Moving   bool
	DoneMS   int64 // machine time carried out since Arm, not scaled
	// Span is the way between the two reference marks of each axis that measured it the last time it found
	// its place, in micrometres; 0 for none.
	Span geom.Point
}

// Sheet is what a machine that keeps its own sheet can tell.
type Sheet struct {
	PNG      []byte
	BurnedUM int64
	EnergyMJ int64
	// Polylines are the burned lines in machine coordinates, for checks from outside.
	Polylines [][]geom.Point
}

// Event is something that the machine did on its own.
type Event struct {
	Kind string // EventAlarm, EventLid, EventFlow, EventLost
	Text string
}

// Kinds of events.
const (
	EventAlarm = "alarm"
	EventLid   = "lid open"
	EventFlow  = "flow low"
	EventLost  = "lost"
)

// Errors of drivers.
var (
	ErrRefused  = errors.New("the machine refused the line")
	ErrStopped  = errors.New("the machine was stopped")
	ErrLost     = errors.New("the machine does not answer")
	ErrNotArmed = errors.New("the tool may not be switched on without a permit")
)
