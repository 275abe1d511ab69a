//go:build race

package system_test

// The program under test is built with the race detector when the tests are.
var buildFlags = []string{"-race"}
