// Package talk is the driver of every machine that takes lines and answers in words: it knows the
// machine's dialect from the profile and nothing else. What carries the bytes, a serial port or a
// child process, is a Cable.
//
//	lines ──▶ Write ───────┐               ┌─▶ taken, refused, here, trouble
//	stop, hold, ask ─▶ Urgent, Stop ─▶ machine ─┘      (Read, line by line)
//
// One line at a time is unanswered, so nothing is ever sent behind a line that was refused or lost.
// The machine is asked where it is every few milliseconds; when it does not answer, answers what
// nobody knows, rests while a line is unanswered, tells that a line arrived otherwise than it was
// sent, starts anew or goes away, contact is lost, and only Reset finds it again, from the start: a
// machine of which nothing is known has no place and no leave. A stop goes out at once by its own way;
// when nothing answers it within StopAnswer, or the tool does not go off, the cable is cut.
package talk
