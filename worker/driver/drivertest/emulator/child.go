package emulator

import (
	"bufio"
	"fmt"
	"os"
	"os/signal"
	"sync"
	"syscall"
)

// Child is the carriage as a child process: lines on standard input, answers on standard output,
// commands on descriptor 3, SIGTERM for a stop. It returns when its input ends, with the tool off.
func Child(cfg Config) {
	var out sync.Mutex
	cfg.Says = true
	cfg.Say = func(text string) {
		out.Lock()
		defer out.Unlock()
		fmt.Println(text)
	}
	c := New(cfg)
	terminate := make(chan os.Signal, 1)
	signal.Notify(terminate, syscall.SIGTERM)
	go func() {
		for range terminate {
			c.Word(words[cmdStop])
		}
	}()
	go func() {
		commands := bufio.NewScanner(os.NewFile(3, "commands"))
		for commands.Scan() {
			c.Word(commands.Text())
		}
	}()
	stop := make(chan struct{})
	var running sync.WaitGroup
	running.Go(func() { c.Run(stop) })
	lines := bufio.NewScanner(os.Stdin)
	for lines.Scan() {
		c.Feed(append(lines.Bytes(), '\n'))
	}
	c.Word(words[cmdStop])
	close(stop)
	running.Wait()
}
