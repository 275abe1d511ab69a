//go:build unix && !linux

package try

import "syscall"

// childAttr keeps a worker out of the terminal's group, so that Ctrl-C reaches it only by us.
func childAttr() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setpgid: true} }
