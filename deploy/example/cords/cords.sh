#!/bin/sh
# A drawing machine of another build: a pen hangs from two cords, each on a winch at the top of the board,
# and a servo lifts it. Usage: cords.sh TO FROM, the two ends of the winch board: it is told
# "wind LEFT RIGHT" (steps to let out, negative to take in) and "servo DEGREES", and says ok to each when
# it is done. Lines come on standard input; "rest", "onward" and "enough" on descriptor 3, SIGTERM is
# enough too. Whatever ends it, end of input as well, leaves the pen lifted.
to=$1 rest=$(mktemp -u)
exec 4>"$to" 5<&0
end() { kill -KILL "$hand" 2>/dev/null; rm -f "$rest"; echo "servo 90" >&4; exit 0; }
trap 'echo enough it is; end' TERM
case $(awk -W version 2>&1) in mawk*) now="-W interactive" ;; esac # or it reads whole blocks
# shellcheck disable=SC2086,SC2016 # now is two words or none; the program is awk's
awk $now -v to="$to" -v from="$2" -v rest="$rest" -v span=700 -v top=500 -v edge=-100 -v steps=40 '
function say(what,  ok) { print what > to; fflush(to); getline ok < from }
function pen(d) { if (d != down) say("servo " (d ? 20 : 90)); down = d }
function here() { printf "at %.3f %.3f%s%s%s\n", x, y, down ? " down" : "", held ? " resting" : "", way ? " moving" : ""; fflush() }
function cord(from, px, py) { return int(sqrt((px - from) ^ 2 + (top - py) ^ 2) * steps + 0.5) }
function measure() { left = cord(edge, x, y); right = cord(edge + span, x, y) }
function told(  w, there) { there = (getline w < rest) >= 0; close(rest); return there }
function pause(  was) { # lifts the pen for as long as the file of that name is there
	was = down; pen(0); held = 1
	while (told()) { here(); system("sleep 0.05") }
	held = 0; pen(was)
}
function go(px, py,  n, i, ax, ay, l, r) { # a straight line, in parts so short that the cords follow it
	ax = x; ay = y; n = int(sqrt((px - x) ^ 2 + (py - y) ^ 2)) + 1; way = 1
	for (i = 1; i <= n; i++) {
		if (told()) pause()
		x = ax + (px - ax) * i / n; y = ay + (py - ay) * i / n
		l = left; r = right; measure(); say("wind " left - l " " right - r)
		here()
	} way = 0
}
BEGIN { down = 1; pen(0); print "hanging"; fflush() }
/^where$/ { here(); next }
{
	g = m = -1; px = x; py = y; odd = ""
	for (i = 1; i <= NF; i++) {
		c = substr($i, 1, 1); v = substr($i, 2) + 0
		if (c == "G" && v ~ /^(0|1|4|21|90|92)$/) g = v
		else if (c == "M" && v ~ /^[235]$/) m = v
		else if (c == "X") px = v
		else if (c == "Y") py = v
		else if (c !~ /[FSP]/) odd = $i
	}
	if (odd == "" && g == 4) odd = system("sleep " substr($2, 2) + 0) ? "the wait" : ""
	if (odd != "") { print "no: " odd " is unknown here"; fflush(); next }
	if (g == 92) { x = px; y = py; measure() }
	if (m == 3) pen(1)
	if (g == 0 || g == 1) go(px, py)
	if (m == 2 || m == 5) pen(0)
	print "done " length($0); fflush()
}' <&5 &
hand=$!
while read -r word; do case $word in
	enough) kill -TERM $$ ;; rest) : >"$rest" ;; onward) rm -f "$rest" ;;
esac; done <&3 3<&- && kill -TERM $$ &
while kill -0 "$hand" 2>/dev/null; do wait "$hand"; done
end
