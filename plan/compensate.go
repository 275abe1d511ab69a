package plan

import (
	"fmt"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
)

// shortened is what a piece loses at the edges that it shares with others, in µm.
type shortened struct{ shared, width, height int64 }

// compensation is the way of cut lines from where they are drawn to half a kerf beside. A closed line
// that frees a piece by itself moves. Of lines that hang together and free pieces only together, what
// lies between pieces and waste moves, and what lies between two pieces stays: there each of the two
// loses half a kerf.
type compensation struct {
	*maker
	drawn    cutting
	clusters []contour.Cluster
	options  contour.Options

	inCluster []int // by drawn line, −1 for none
	frees     []int // by drawn line, the piece that it frees by itself, −1 for none
	contours  []kerf.Contour
	line      []int // of a contour: the drawn line whose group it has
	cluster   []int // of a contour, −1 for none

	lines  []contour.Line // as they are cut
	from   []int          // of a cut line: the drawn line that it is, −1 where it is a cluster's
	shared int64          // µm of edges between two pieces
	lost   int            // cuts between pieces that end short of the moved ring
}

// compensate moves what can be moved into the waste.
func (m *maker) compensate(c cutting, clusters []contour.Cluster, options contour.Options) cutting {
	k := compensation{maker: m, drawn: c, clusters: clusters, options: options, frees: alone(c.lines, c.pieces)}
	k.gather()
	moved, err := kerf.Compensate(k.contours, options.KerfUM, tolerance(m.req.Profile.SmallestStepUM))
	if err != nil {
		m.refuse(Reason{What: "the kerf cannot be allowed for: " + err.Error(), Next: "simplify the drawing, or cut where the lines are drawn",
			Field: "choices.no_kerf"})
		return cutting{}
	}
	for _, f := range moved.Findings {
		m.tellKerf(f)
	}
	if len(clusters) == 0 && moved.Plain {
		return k.inPlace(moved.Rings).turned()
	}
	k.lay(moved.Rings)
	count := k.rings(moved.Rings)
	k.forget()
	// The drawn lines have told what is to be looked at.
	cut, err := contour.Understand(k.lines, contour.Options{JoinUM: options.JoinUM, AsCut: true})
	if err != nil {
		m.tangled(err)
		return cutting{}
	}
	out := cutting{lines: k.lines, parents: cut.Parents, pieces: cut.Pieces, drawn: make([]contour.Piece, len(cut.Pieces))}
	k.recognise(&out, count)
	if err := k.measure(&out, cut.Clusters); err != nil {
		m.tangled(err)
	}
	return out.turned()
}

// gather lists what is moved: lines that free something by themselves, then the rings of clusters.
func (k *compensation) gather() {
	k.inCluster = make([]int, len(k.drawn.lines))
	index := make([]int, len(k.drawn.lines)) // of a line among the contours
	for i := range index {
		index[i], k.inCluster[i] = -1, -1
	}
	for n, c := range k.clusters {
		for _, l := range c.Lines {
			k.inCluster[l] = n
		}
	}
	for i, l := range k.drawn.lines {
		if k.frees[i] < 0 || k.inCluster[i] >= 0 {
			continue
		}
		index[i] = len(k.contours)
		k.add(kerf.Contour{Points: l.Points, Dropout: k.drawn.pieces[k.frees[i]].Dropout, Parent: -1}, i, -1)
	}
	for at, i := range k.line {
		if p := k.drawn.parents[i]; p >= 0 {
			k.contours[at].Parent = index[p]
		}
	}
	for n, c := range k.clusters {
		for _, r := range c.Rings {
			parent := -1
			if p := k.drawn.parents[c.Main]; p >= 0 && k.inCluster[p] < 0 {
				parent = index[p]
			}
			k.add(kerf.Contour{Points: r.Points, Dropout: r.Dropout, Parent: parent}, c.Main, n)
		}
	}
}

func (k *compensation) add(c kerf.Contour, line, cluster int) {
	k.contours, k.line, k.cluster = append(k.contours, c), append(k.line, line), append(k.cluster, cluster)
}

// inPlace takes rings of which each is a contour moved without a change of what holds what: nothing
// has to be understood anew.
func (k *compensation) inPlace(rings []kerf.Ring) cutting {
	out := k.drawn
	out.lines = make([]contour.Line, len(k.drawn.lines))
	copy(out.lines, k.drawn.lines)
	for _, r := range rings {
		out.lines[k.line[r.Source]].Points = r.Points
	}
	return out
}

// lay puts together what is cut: lines that stay, rings, and what lies within clusters.
func (k *compensation) lay(rings []kerf.Ring) {
	for i, l := range k.drawn.lines {
		if k.inCluster[i] < 0 && k.frees[i] < 0 {
			k.lines, k.from = append(k.lines, l), append(k.from, i)
		}
	}
	of := make([][][]geom.Point, len(k.clusters))
	for _, r := range rings {
		l := k.drawn.lines[k.line[r.Source]]
		l.Closed, l.Points = true, r.Points
		from := k.line[r.Source]
		if n := k.cluster[r.Source]; n >= 0 {
			of[n] = append(of[n], r.Points)
			from = -1
		}
		k.lines, k.from = append(k.lines, l), append(k.from, from)
	}
	for n, c := range k.clusters {
		moved := kerf.NewMoved(of[n], k.options.KerfUM)
		for _, w := range c.Within {
			l := k.drawn.lines[w.Line]
			l.Closed = w.Closed
			if w.Waste {
				l.Points = moved.Shorten(w.Points, w.First, w.Last)
			} else {
				var ok bool
				if l.Points, ok = moved.Reach(w.Points, w.First, w.Last); !ok {
					k.lost++
				}
			}
			if len(l.Points) > 1 {
				k.lines, k.from = append(k.lines, l), append(k.from, -1)
			}
		}
	}
}

// rings counts those of each drawn line.
func (k *compensation) rings(rings []kerf.Ring) []int32 {
	count := make([]int32, len(k.drawn.lines))
	for _, r := range rings {
		if k.cluster[r.Source] < 0 {
			count[k.line[r.Source]]++
		}
	}
	return count
}

// forget lets go of what is not needed once the cut lines are laid, which for large drawings is most of the
// memory.
func (k *compensation) forget() {
	k.contours, k.drawn.lines, k.line, k.cluster, k.inCluster = nil, nil, nil, nil, nil
	for n := range k.clusters {
		c := &k.clusters[n]
		for _, w := range c.Within {
			k.shared += w.SharedUM
		}
		c.Rings, c.Within, c.Lines = nil, nil, nil
	}
}

// recognise finds the drawn piece of each that is freed by one line; count is how many rings each drawn
// line became.
func (k *compensation) recognise(out *cutting, count []int32) {
	for i, p := range alone(k.lines, out.pieces) {
		if from := k.from[i]; p >= 0 && from >= 0 && k.frees[from] >= 0 && count[from] == 1 {
			out.drawn[p] = k.drawn.pieces[k.frees[from]]
		}
	}
}

// measure finds the drawn pieces of those that clusters free, which lie within half a kerf of where
// they were, and what the kerf takes of them at shared edges.
func (k *compensation) measure(out *cutting, cut []contour.Cluster) error {
	if len(k.clusters) == 0 {
		return nil
	}
	out.short = make([]shortened, len(out.pieces))
	var drawn []int
	shared := map[int]int64{} // by drawn piece
	for _, c := range k.clusters {
		for _, b := range c.Pieces {
			drawn = append(drawn, b.Piece)
			shared[b.Piece] = b.SharedUM
		}
	}
	find := newLikeness(k.drawn.pieces, drawn, k.options.KerfUM)
	found, count, width, height := 0, 0, int64(0), int64(0)
	half := (k.options.KerfUM + 1) / 2
	see := func(piece int, outline []geom.Point) error {
		d := find.of(out.pieces[piece])
		if d < 0 {
			return nil
		}
		found++
		was := k.drawn.pieces[d]
		out.drawn[piece] = was
		if shared[d] == 0 {
			return nil
		}
		real, err := geom.Offset([][]geom.Point{outline}, -half, tolerance(k.req.Profile.SmallestStepUM))
		if err != nil {
			return err
		}
		s := shortened{shared: shared[d], width: was.Extents.Width(), height: was.Extents.Height()}
		var area float64
		for i, ring := range real {
			box, _ := geom.BoxOf(ring...)
			if i == 0 || geom.Area(ring) > area { // what hangs on by less than a kerf falls off
				area = geom.Area(ring)
				s.width, s.height = was.Extents.Width()-box.Width(), was.Extents.Height()-box.Height()
			}
		}
		out.short[piece] = s
		count++
		width, height = max(width, s.width), max(height, s.height)
		return nil
	}
	for _, c := range cut {
		for _, b := range c.Pieces {
			if err := see(b.Piece, b.Outline); err != nil {
				return err
			}
		}
	}
	for i, p := range alone(k.lines, out.pieces) { // a ring that has closed up, or a hole's
		if p >= 0 && k.from[i] < 0 && out.drawn[p].Number == 0 {
			if err := see(p, k.lines[i].Points); err != nil {
				return err
			}
		}
	}
	k.tellShared(count, width, height)
	if missing := len(drawn) - found; k.lost > 0 || missing > 0 {
		k.warn(fmt.Sprintf("pieces among shared edges that the kerf makes others of: %d", max(k.lost, missing)),
			"drawing", "widen what is narrower than the kerf, or cut where the lines are drawn")
	}
	return nil
}

// tellShared says what shared edges do to the size of pieces.
func (k *compensation) tellShared(count int, width, height int64) {
	if count == 0 {
		return
	}
	k.warn(fmt.Sprintf("%s mm of cuts are edges that pieces share: cut once, where they are drawn, so that the pieces on both sides lose half a kerf, %s mm, there; "+
		"pieces that come out smaller: %d, by up to %s mm in width and %s mm in height", mm(k.shared), mm((k.options.KerfUM+1)/2), count, mm(width), mm(height)),
		"drawing", "nothing to do if that is near enough; else draw the pieces apart by the kerf, or larger by what they lose")
}
