//go:build !race

package worker

const raceOn = false
