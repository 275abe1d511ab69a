package talk

import (
	"bytes"
	"testing"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver/drivertest/emulator"
)

// tape is a cable that plays what a machine may have said.
type tape struct{ *bytes.Reader }

func (tape) Write(p []byte) (int, error) { return len(p), nil }
func (tape) Urgent([]byte) error         { return nil }
func (tape) Stop([]byte) error           { return nil }
func (tape) Cut() error                  { return nil }
func (tape) Close() error                { return nil }

// FuzzAnswers: whatever a machine says, a line counts as taken only where the very answer to it was
// among it, and nothing is kept beyond bounds.
func FuzzAnswers(f *testing.F) {
	for _, s := range []string{"have 4 fa0a8782\n", "have 3 00000000\n", "won't: no\n", "at 1.000 2.000 5 busy lit\n", "good morning\n", "help: hot\r\nlid up\n", "\xff\x00\n\n\r"} {
		f.Add([]byte(s))
	}
	p := emulator.Profile()
	p.Driver = machine.Driver{Kind: machine.DriverSerial, Dialect: emulator.SerialDialect(),
		Port: &machine.Port{Path: "none", Baud: 9600, DataBits: 8, StopBits: 1, Parity: machine.ParityNone}}
	f.Fuzz(func(t *testing.T, said []byte) {
		d, err := New(Config{Profile: p})
		if err != nil {
			t.Fatal(err)
		}
		s := &session{cable: tape{bytes.NewReader(said)}, ended: make(chan struct{})}
		d.opened, d.session, d.line, d.waiting = true, s, "G4 P", true
		d.listen(s)
		if d.answer != nil && d.answer.taken && !bytes.Contains(said, []byte("have 4 fa0a8782")) { // CRC-32 of "G4 P"
			t.Errorf("taken by %q", said)
		}
		if !s.gone || d.lost == "" {
			t.Error("the end of the cable went unnoticed")
		}
	})
}
