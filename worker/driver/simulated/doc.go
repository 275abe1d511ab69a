// Package simulated is an imaginary machine and the driver that talks to it.
//
// The machine (type controller) is a thing of its own: it takes motion lines as bytes, answers in
// its own dialect, plans speeds over the lines that it is owed, moves within each axis' limits,
// switches a tool that goes on and off late, runs into its hard stops, loses its beam when its host
// falls silent, and keeps a sheet on which it is recorded what was burned where with how much
// energy. It knows only its own time, in seconds, and does nothing unless time is given to it; so
// the same machine runs in real time, many times faster, or at once inside a measurement.
//
// The driver (type Driver) is the glue: it keeps the machine's time in step with the clock, waits
// for answers as it would on a cable, and holds the rule that nothing is switched on without a
// permit.
package simulated
