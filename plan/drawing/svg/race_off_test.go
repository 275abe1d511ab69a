//go:build !race

package svg

const raceDetector = false
