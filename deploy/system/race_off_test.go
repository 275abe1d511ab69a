//go:build !race

package system_test

var buildFlags []string
