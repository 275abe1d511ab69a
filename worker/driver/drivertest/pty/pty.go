// Package pty makes pairs of pseudo-terminals: for a driver the second half looks like a serial port.
package pty

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// Open gives the machine's half and the path of the driver's half.
func Open() (machine *os.File, path string, err error) {
	machine, err = os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, "", err
	}
	raw, err := machine.SyscallConn() // Fd would make the file block, and closing it would not end a read
	if err != nil {
		return nil, "", err
	}
	var number int
	var failed error
	err = raw.Control(func(fd uintptr) {
		var plain *unix.Termios
		if plain, failed = unix.IoctlGetTermios(int(fd), unix.TCGETS); failed != nil {
			return
		}
		// Without this what the machine says before anybody listens would be echoed to it.
		plain.Lflag &^= unix.ECHO | unix.ICANON | unix.ISIG
		plain.Iflag &^= unix.ICRNL | unix.IXON
		plain.Oflag &^= unix.OPOST
		if failed = unix.IoctlSetTermios(int(fd), unix.TCSETS, plain); failed != nil {
			return
		}
		if failed = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); failed == nil {
			number, failed = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	})
	if err == nil {
		err = failed
	}
	return machine, fmt.Sprintf("/dev/pts/%d", number), err
}
