package bench

import (
	"fmt"
	"testing"
)

func BenchmarkCommits(b *testing.B) {
	g := newGround(b)
	g.exec(b, bareTable)
	for b.Loop() {
		for range 3 {
			one, many := g.bare(b, 1), g.bare(b, clients)
			our1, ours := g.signOuts(b, 1), g.signOuts(b, clients)
			fmt.Println("bare 1 ", one)
			fmt.Println("ours 1 ", our1, our1.perS/one.perS)
			fmt.Println("bare 16", many)
			fmt.Println("ours 16", ours, ours.perS/many.perS)
		}
	}
}
