package dose

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// stepped is where the energy of a job goes when each burn is followed in steps of equal time, by the law of
// even acceleration: d = u·t + a·t²/2.
func stepped(in Input, steps int, yield func(b motion.Burn, x, y, um, pJ float64)) {
	in.Job.Follow(func(b motion.Burn) bool {
		length, sum := geom.Distance(b.From, b.To), b.In+b.Out
		pJ := float64(b.Permille*in.PowerMW*b.Micros) / float64(steps)
		for k := range steps {
			s := (float64(k) + 0.5) / float64(steps)
			share := s
			if sum > 0 {
				share = (2*b.In*s + (b.Out-b.In)*s*s) / sum
			}
			um := length * (2*b.In + 2*(b.Out-b.In)*s) / max(1e-9, sum) / float64(steps)
			yield(b, float64(b.From.X)+share*float64(b.To.X-b.From.X), float64(b.From.Y)+share*float64(b.To.Y-b.From.Y), um, pJ)
		}
		return true
	})
}

func strewn(seed uint64, inMotion bool) Input {
	r := rand.New(rand.NewPCG(seed, 1))
	in := bench()
	in.Job.InMotion, in.Job.Levels, in.Job.OffDelayMS = inMotion, inMotion, 3
	for range 4 {
		s := line(r.Int64N(90_000)+2_000, r.Int64N(900)+100)
		for range 5 {
			s.Points = append(s.Points, geom.Pt(r.Int64N(12_000)-6_000, r.Int64N(12_000)-6_000))
		}
		// Along grid lines too, both ways.
		s.Points = append(s.Points, geom.Pt(1_000, 500), geom.Pt(4_250, 500), geom.Pt(4_250, -2_000), geom.Pt(-750, -2_000), geom.Pt(-750, 1_000))
		in.Job.Strokes = append(in.Job.Strokes, s)
	}
	return in
}

// TestMapIsExact: each cell of the map holds what following the beam in 2,000 steps a burn puts there, but
// for one such step where the beam comes in and goes out.
func TestMapIsExact(t *testing.T) {
	t.Parallel()
	for seed := range uint64(4) {
		in := strewn(seed, seed%2 == 1)
		d := mustOf(t, in)
		type bin struct{ sum, leeway float64 }
		cells := map[geom.Point]bin{}
		var last geom.Point
		stepped(in, 2_000, func(b motion.Burn, x, y, _, pJ float64) {
			if b.From.X == b.To.X && b.From.Y != b.To.Y {
				x += 0.1 // along a line between cells the right or upper one gets all
			}
			if b.From.Y == b.To.Y && b.From.X != b.To.X {
				y += 0.1
			}
			at := geom.Pt(int64(math.Floor(x/CellUM))*CellUM, int64(math.Floor(y/CellUM))*CellUM)
			c := cells[at]
			if c.sum += pJ; at != last {
				out := cells[last]
				out.leeway += pJ
				cells[last] = out
				c.leeway += pJ
			}
			cells[at], last = c, at
		})
		for c := range d.Map.Cells() {
			want := cells[c.Min]
			delete(cells, c.Min)
			if off := math.Abs(float64(c.EnergyPJ) - want.sum); off > want.leeway+1e-6*want.sum+10 {
				t.Errorf("seed %d, cell %v: %d pJ, want %.0f within %.0f", seed, c.Min, c.EnergyPJ, want.sum, want.leeway)
			}
		}
		for at, c := range cells {
			if c.sum > c.leeway {
				t.Errorf("seed %d, cell %v lacks %.0f pJ", seed, at, c.sum)
			}
		}
	}
}

// TestLinesAreExact: least and most of a line are those of pieces of 0.15 mm counted in steps of a few
// nanometres.
func TestLinesAreExact(t *testing.T) {
	t.Parallel()
	for seed := range uint64(4) {
		in := strewn(seed, seed%2 == 1)
		d := mustOf(t, in)
		type piece struct{ um, pJ float64 }
		parts := make([][]piece, len(in.Job.Strokes))
		ways := make([]float64, len(parts))
		stepped(in, 10_000, func(b motion.Burn, _, _, um, pJ float64) {
			of, k := &parts[b.Stroke], int((ways[b.Stroke]+um/2)/150)
			for len(*of) <= k {
				*of = append(*of, piece{})
			}
			(*of)[k].um, (*of)[k].pJ = (*of)[k].um+um, (*of)[k].pJ+pJ
			ways[b.Stroke] += um
		})
		for i, l := range d.Strokes {
			pieces := parts[i]
			if n := len(pieces); pieces[n-1].um < 75 {
				pieces[n-2].um, pieces[n-2].pJ = pieces[n-2].um+pieces[n-1].um, pieces[n-2].pJ+pieces[n-1].pJ
				pieces = pieces[:n-1]
			}
			least, most := math.Inf(1), 0.0
			for _, p := range pieces {
				least, most = min(least, p.pJ/p.um/1000), max(most, p.pJ/p.um/1000)
			}
			near(t, "least", float64(l.LeastUJPerMM), least, 0.004*least+1)
			near(t, "most", float64(l.MostUJPerMM), most, 0.004*most+1)
		}
	}
}

// TestWarmth: the discs' sums are what adding up the window's entries gives, at any place of a tile, and a
// tile that is used again is as good as new.
func TestWarmth(t *testing.T) {
	t.Parallel()
	for dy := int32(-discCells); dy <= discCells; dy++ {
		for dx := int32(-discCells - 1); dx <= discCells+1; dx++ {
			if wide := discRows[dy+discCells]; inDisc(dx, dy) != (dx >= -wide && dx <= wide) {
				t.Fatalf("the rows of a disc are wrong at %d, %d", dx, dy)
			}
		}
	}
	r := rand.New(rand.NewPCG(7, 7))
	w := newWarmth()
	var window []entry
	hotter := 0
	for range 4_000 {
		e := entry{x: int32(r.IntN(30)) - 15 + int32(r.IntN(3)-1)*warmSide, y: int32(r.IntN(30)) - 15, part: r.Int64N(onePass)}
		window = append(window, e)
		if len(window) > 60 {
			w.spread(window[0].x, window[0].y, -window[0].part, -1)
			window = window[1:]
		}
		hot := w.spread(e.x, e.y, e.part, 1)
		most := int64(0)
		for y := e.y - discCells; y <= e.y+discCells; y++ {
			for x := e.x - discCells; x <= e.x+discCells; x++ {
				if !inDisc(x-e.x, y-e.y) {
					continue
				}
				sum := int64(0)
				for _, other := range window {
					if inDisc(other.x-x, other.y-y) {
						sum += other.part
					}
				}
				most = max(most, sum)
			}
		}
		if hot != (most > stillCool) {
			t.Fatalf("hot %t, the fullest disc holds %d", hot, most)
		}
		if _, _, got := w.hottest(e.x, e.y); got != most {
			t.Fatalf("the fullest disc holds %d, want %d", got, most)
		}
		if hot {
			hotter++
		}
	}
	if hotter < 500 || hotter > 3_500 {
		t.Errorf("hot %d times of 4000", hotter)
	}
	for _, e := range window {
		w.spread(e.x, e.y, -e.part, -1)
	}
	for len(w.spare) > 0 {
		tile := w.spare[0]
		w.spare = w.spare[1:]
		for i, sum := range tile.sums {
			if sum != -stillCool-1 || tile.live != 0 {
				t.Fatalf("cell %d of a spare tile holds %d", i, sum)
			}
		}
	}
	if len(w.tiles) != 0 {
		t.Errorf("%d tiles are left", len(w.tiles))
	}
}

// TestHotWhateverTheRoom: what is told does not depend on how much room the window has when it fills, and so on when
// old entries are dropped: a plan has the same bytes on every machine.
func TestHotWhateverTheRoom(t *testing.T) {
	t.Parallel()
	told := func(seed uint64, room int) ([]HotSpot, int) {
		r := rand.New(rand.NewPCG(seed, 3))
		h := newHeat([]pass{{parts: 1, even: 1}})
		h.window = make([]entry, 0, room)
		e := entry{}
		for range 20_000 {
			e.x, e.y = e.x+int32(r.IntN(7)-3), e.y+int32(r.IntN(7)-3)
			if r.IntN(20) == 0 {
				e.x, e.y = e.x%30, e.y%30 // back, so that spots come about near older ones
			}
			e.micros += r.Int64N(hotMicros / 100)
			e.part = r.Int64N(onePass / 3)
			e.energyPJ = e.part
			h.put(&e)
		}
		return h.done()
	}
	for seed := range uint64(4) {
		want, wantMore := told(seed, 1<<16)
		if wantMore == 0 {
			t.Errorf("seed %d: only %d spots", seed, len(want))
		}
		for _, room := range []int{1, 10, 100, 333, 1000, 3000} {
			if got, more := told(seed, room); more != wantMore || !slices.Equal(got, want) {
				t.Errorf("seed %d: with room for %d at first, %d spots and %d more; with room for all, %d and %d", seed, room, len(got), more, len(want), wantMore)
			}
		}
	}
}

// TestPatches: what is hot, how hot, and what a disc got are what adding up all of the last ten seconds gives,
// wherever the plane is wound up, though most entries are never summed.
func TestPatches(t *testing.T) {
	t.Parallel()
	for seed := range uint64(6) {
		r := rand.New(rand.NewPCG(seed, 9))
		h := newHeat(nil)
		var all []entry
		e := entry{}
		hotter, summed := 0, 0
		for range 6_000 {
			switch r.IntN(200) {
			case 0: // far away, perhaps to where the ring is the same
				e.x, e.y = int32(r.IntN(5)-2)*ringSize<<patchBits+int32(r.IntN(20)), int32(r.IntN(3)-1)*warmSide
			case 1:
				e.micros += r.Int64N(2 * hotMicros)
			case 2:
				e.micros += 3 * hotMicros
			}
			e.x, e.y = e.x+int32(r.IntN(5)-2), e.y+int32(r.IntN(5)-2)
			e.micros += r.Int64N(hotMicros / 20)
			e.part = r.Int64N(onePass / 6)
			all = append(all, e)
			hot := h.take(&e)
			most, mostX, mostY := int64(-1), int32(0), int32(0)
			for y := e.y - discCells; y <= e.y+discCells; y++ {
				for x := e.x - discCells; x <= e.x+discCells; x++ {
					if !inDisc(x-e.x, y-e.y) {
						continue
					}
					sum := int64(0)
					for i := len(all) - 1; i >= 0 && all[i].micros > e.micros-hotMicros; i-- {
						if inDisc(all[i].x-x, all[i].y-y) {
							sum += all[i].part
						}
					}
					if sum > most {
						most, mostX, mostY = sum, x, y
					}
				}
			}
			if hot != (most > stillCool) {
				t.Fatalf("seed %d: hot %t, the fullest disc holds %d", seed, hot, most)
			}
			if h.stretches[len(h.stretches)-1].summed {
				summed++
			}
			if !hot {
				continue
			}
			hotter++
			x, y, got := h.hottest(e.x, e.y)
			if got != most || x != mostX || y != mostY {
				t.Fatalf("seed %d: the fullest disc, at %d, %d, holds %d, want %d, %d and %d", seed, x, y, got, mostX, mostY, most)
			}
			i := len(all)
			for got := range h.before(len(all), x, y) {
				if got.micros <= e.micros-hotMicros {
					break
				}
				for i--; !inDisc(all[i].x-x, all[i].y-y); i-- {
				}
				if *got != all[i] {
					t.Fatalf("seed %d: the disc got %+v, want %+v", seed, *got, all[i])
				}
				most -= got.part
			}
			if most != 0 {
				t.Fatalf("seed %d: the entries of a disc lack %d", seed, most)
			}
		}
		if hotter < 100 || summed > 5_000 {
			t.Errorf("seed %d: hot %d times, summed %d times of 6000", seed, hotter, summed)
		}
	}
}

// TestManyHotSpots: of more places than are told each counts once, and the hottest are told in the order
// in which they come about. A place gets 10 W for as long as its switch takes, and its line.
func TestManyHotSpots(t *testing.T) {
	t.Parallel()
	const all = MostHot + 117
	in := bench()
	in.Job.OffDelayMS = 500
	for i := range int64(all) {
		s := line(10_000, 1000, geom.Pt(i%20*6_000, i/20*6_000), geom.Pt(i%20*6_000+1_000, i/20*6_000))
		s.PowerPermille = 300 + i*7%all // each another, all in mixed order
		in.Job.Strokes = append(in.Job.Strokes, s)
		in.Works = append(in.Works, Work{ProvenUJPerMM: 200_000})
	}
	d := mustOf(t, in)
	if len(d.Hot) != MostHot || d.More != all-MostHot {
		t.Fatalf("%d told, %d more", len(d.Hot), d.More)
	}
	for i, h := range d.Hot {
		if i > 0 && h.AtMicros <= d.Hot[i-1].AtMicros {
			t.Fatalf("%+v after %+v", h, d.Hot[i-1])
		}
		s := in.Job.Strokes[h.Stroke]
		if s.PowerPermille < 300+all-MostHot {
			t.Errorf("%d ‰ of power was told as one of the hottest", s.PowerPermille)
		}
		// 0.5 s and the time of 1 mm (0.11 s), all of it in the disc.
		near(t, "energy", float64(h.EnergyMJ), float64(s.PowerPermille)*10*0.61, float64(s.PowerPermille)*0.1)
	}
}
