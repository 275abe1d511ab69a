package try

import "syscall"

// childAttr makes a worker stop when this process is gone, however it went, and keeps it out of
// the terminal's group, so that Ctrl-C reaches it only by us, in order.
func childAttr() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Pdeathsig: syscall.SIGTERM, Setpgid: true}
}
