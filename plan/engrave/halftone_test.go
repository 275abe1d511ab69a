package engrave

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// halftoned gives the dots of a whole picture.
func halftoned(t testing.TB, kind Halftone, threshold uint8, width int, grey []uint8) []bool {
	t.Helper()
	d, err := newDots(Pattern{Halftone: kind, Threshold: threshold}, width)
	if err != nil {
		t.Fatal(err)
	}
	reached := make([]bool, width)
	for i := range reached {
		reached[i] = true
	}
	var out []bool
	for at := 0; at < len(grey); at += width {
		out = append(out, d.next(grey[at:at+width], reached)...)
	}
	return out
}

func count(dark []bool) int {
	n := 0
	for _, d := range dark {
		if d {
			n++
		}
	}
	return n
}

func shown(dark []bool, width int) string {
	text := ""
	for i, d := range dark {
		if i > 0 && i%width == 0 {
			text += "\n"
		}
		if d {
			text += "#"
		} else {
			text += "."
		}
	}
	return text
}

// TestBayer: the matrix as it is printed in textbooks (first rows of the 8 × 8 form; from memory).
func TestBayer(t *testing.T) {
	t.Parallel()
	for y, row := range [][8]int{{0, 32, 8, 40, 2, 34, 10, 42}, {48, 16, 56, 24, 50, 18, 58, 26}, {12, 44, 4, 36, 14, 46, 6, 38}} {
		for x, want := range row {
			if got := bayer(x, y); got != want {
				t.Errorf("(%d, %d): %d, want %d", x, y, got, want)
			}
		}
	}
	seen := map[int]bool{}
	for i := range 64 {
		seen[bayer(i%8, i/8)] = true
	}
	if len(seen) != 64 {
		t.Errorf("only %d thresholds", len(seen))
	}
}

// TestThreshold: exactly what is darker.
func TestThreshold(t *testing.T) {
	t.Parallel()
	var grey []uint8
	for g := range 256 {
		grey = append(grey, uint8(g))
	}
	for threshold := 1; threshold < 256; threshold++ {
		for g, dark := range halftoned(t, Threshold, uint8(threshold), 256, grey) {
			if dark != (g < threshold) {
				t.Fatalf("grey %d at threshold %d: %v", g, threshold, dark)
			}
		}
	}
	if got := count(halftoned(t, Threshold, 0, 256, grey)); got != 128 {
		t.Errorf("no threshold: %d dots", got)
	}
}

// TestOrderedSymmetric: as many dots of a grey as blanks of its opposite, and the share of dots is
// that of the darkness to half a 64th.
func TestOrderedSymmetric(t *testing.T) {
	t.Parallel()
	for g := range 256 {
		dots := count(halftoned(t, Ordered, 0, 8, flat(64, uint8(g))))
		opposite := count(halftoned(t, Ordered, 0, 8, flat(64, uint8(255-g))))
		if dots+opposite != 64 {
			t.Errorf("grey %d: %d and %d dots", g, dots, opposite)
		}
		if want := 64 * float64(255-g) / 255; math.Abs(float64(dots)-want) > 0.5 {
			t.Errorf("grey %d: %d dots, want %.2f", g, dots, want)
		}
	}
}

func flat(n int, g uint8) []uint8 {
	grey := make([]uint8, n)
	for i := range grey {
		grey[i] = g
	}
	return grey
}

// TestDiffusionKeepsTheMean: of any random picture of 64 × 64 or more, and of every flat one, to 1 %
// of full scale; what is wholly black or white has no dot out of place.
func TestDiffusionKeepsTheMean(t *testing.T) {
	t.Parallel()
	mean := func(t interface{ Fatalf(string, ...any) }, grey []uint8, dark []bool) {
		sum := 0
		for _, g := range grey {
			sum += 255 - int(g)
		}
		want, got := float64(sum)/255/float64(len(grey)), float64(count(dark))/float64(len(dark))
		if math.Abs(want-got) > 0.01 {
			t.Fatalf("darkness %.4f became %.4f", want, got)
		}
	}
	for g := range 256 {
		grey := flat(64*64, uint8(g))
		dark := halftoned(t, Diffusion, 0, 64, grey)
		mean(t, grey, dark)
		if n := count(dark); g == 0 && n != len(dark) || g == 255 && n != 0 {
			t.Errorf("grey %d: %d dots", g, n)
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		width := rapid.IntRange(64, 90).Draw(rt, "width")
		seed := rapid.Uint32().Draw(rt, "seed")
		level := rapid.Uint32Range(1, 255).Draw(rt, "most")
		grey := make([]uint8, width*64)
		for i := range grey {
			seed = seed*1664525 + 1013904223 // Numerical Recipes' generator: noise needs no better
			grey[i] = uint8(seed >> 24 % (level + 1))
		}
		mean(rt, grey, halftoned(t, Diffusion, 0, width, grey))
	})
}

// TestDiffusionAgainstDraw: in tiles of 16 × 16 dots the density is that of the standard library's
// Floyd–Steinberg (image/draw, which does not turn round at row ends).
func TestDiffusionAgainstDraw(t *testing.T) {
	t.Parallel()
	const size, tile = 128, 16
	src := image.NewGray(image.Rect(0, 0, size, size))
	for y := range size {
		for x := range size {
			dx, dy := float64(x-40), float64(y-70)
			src.Pix[y*size+x] = uint8(127 + 120*math.Sin(float64(dx*dx)/900+float64(dy*dy)/1500))
		}
	}
	theirs := image.NewPaletted(src.Rect, color.Palette{color.Gray{0}, color.Gray{255}})
	draw.FloydSteinberg.Draw(theirs, src.Rect, src, image.Point{})
	ours := halftoned(t, Diffusion, 0, size, src.Pix)
	worst := 0
	for ty := 0; ty < size; ty += tile {
		for tx := 0; tx < size; tx += tile {
			diff := 0
			for y := ty; y < ty+tile; y++ {
				for x := tx; x < tx+tile; x++ {
					if ours[y*size+x] {
						diff++
					}
					if theirs.Pix[y*size+x] == 0 {
						diff--
					}
				}
			}
			worst = max(worst, diff, -diff)
		}
	}
	t.Logf("worst tile: %d of %d dots apart", worst, tile*tile)
	if worst > 10 { // 4 % of a tile: its rim of 60 dots shares its rest with the neighbours
		t.Errorf("a tile is %d dots apart", worst)
	}
}

// TestGradient: golden dots of a gradient of 24 × 4.
func TestGradient(t *testing.T) {
	t.Parallel()
	const width = 24
	var grey []uint8
	for range 4 {
		for x := range width {
			grey = append(grey, uint8(x*255/(width-1)))
		}
	}
	for kind, want := range map[Halftone]string{
		Threshold: "############............\n" +
			"############............\n" +
			"############............\n" +
			"############............",
		Ordered: "####.#.#.#.#...#........\n" +
			"#########.#.#.#.#.#.....\n" +
			"##.###.#.#.#.#..........\n" +
			"###########.#.#.#.#.#...",
		Diffusion: "########.#.#.#..........\n" +
			"######.##.##.#.#.#.#....\n" +
			"###.###.##..#.#.........\n" +
			"#####.##.##.#..#.#..#...",
	} {
		if got := shown(halftoned(t, kind, 0, width, grey), width); got != want {
			t.Errorf("%s:\n%s\nwant\n%s", kind, got, want)
		}
	}
}
