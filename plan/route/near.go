package route

import (
	"math"
	"runtime"
	"sync"
	"sync/atomic"

	"kerfgate/plan/geom"
)

const (
	nearMost     = 8  // neighbours of a node that lies at one place
	nearQuadrant = 2  // of these at least so many in each quadrant, so that clusters keep in touch
	nearLarge    = 10 // neighbours of an item that is larger than the room around it
	nearAll      = 16 // with those of the quadrants
	mostSamples  = 64 // of one item
)

// samplesOf are the points that stand for nodes in searches: of an item that is small beside the
// room an item has on average, the middle; of a larger one, vertices about that far apart.
func (r *router) samplesOf(nodes []int32) []sample {
	all := r.box(nodes[0])
	for _, a := range nodes {
		all = all.Union(r.box(a))
	}
	room := math.Sqrt(float64(all.Width()) * float64(all.Height()) / float64(len(nodes)))
	out := make([]sample, 0, len(nodes))
	for _, a := range nodes {
		c := r.contours[a]
		if c == nil {
			out = append(out, sample{r.at[a], a})
			continue
		}
		b := c.boxes[0]
		n := mostSamples
		if room > 0 {
			n = min(n, int(float64(b.Width()+b.Height())/room*2), len(c.points))
		}
		if n < 4 {
			out = append(out, sample{geom.Pt((b.Min.X+b.Max.X)/2, (b.Min.Y+b.Max.Y)/2), a})
			continue
		}
		for k := range n {
			out = append(out, sample{c.points[k*len(c.points)/n], a})
		}
	}
	return out
}

// nearChunk is how many nodes are looked at by themselves; nothing found depends on what another finds.
const nearChunk = 2048

// mostCores bounds how many goroutines share an order.
const mostCores = 4

// findNear fills near for the nodes of one class, whose samples the tree holds.
func (r *router) findNear(t *tree, nodes []int32) {
	of := t.byNode(len(r.at))
	chunks := (len(nodes) + nearChunk - 1) / nearChunk
	var next atomic.Int64
	var wait sync.WaitGroup
	for range min(chunks, runtime.GOMAXPROCS(0), mostCores) {
		wait.Go(func() {
			for c := int(next.Add(1)) - 1; c < chunks; c = int(next.Add(1)) - 1 {
				r.findNearOf(t, of, nodes[c*nearChunk:min((c+1)*nearChunk, len(nodes))])
			}
		})
	}
	wait.Wait()
}

func (r *router) findNearOf(t *tree, of positions, nodes []int32) {
	store := make([]neighbour, 0, len(nodes)*(nearMost+2))
	q := nearest{tree: t, found: make([]found, 0, nearAll)}
	part := nearest{tree: t, found: make([]found, 0, nearQuadrant), most: nearQuadrant}
	for _, a := range nodes {
		q.but = [2]int32{a, r.mate[a]}
		q.found = q.found[:0]
		if of.count(a) > 1 {
			q.quadrant, q.most = everywhere, nearLarge
			for _, i := range of.positions(a) {
				q.from = t.samples[i].at
				q.search()
			}
		} else {
			q.from = t.samples[of.positions(a)[0]].at
			r.around(&q, &part)
		}
		lo := len(store)
		for _, f := range q.found {
			store = append(store, r.neighbourOf(a, f.node))
		}
		r.near[a] = store[lo:len(store):len(store)]
	}
}

// around finds the nearest nodes, and the nearest of each quadrant, for which part is room.
func (r *router) around(q, part *nearest) {
	q.quadrant, q.most = everywhere, nearMost
	q.search()
	var have [4]int
	for _, f := range q.found {
		have[quadrantOf(q.from, r.middle(f.node))]++
	}
	part.from, part.but = q.from, q.but
	for quadrant, n := range have {
		if n >= nearQuadrant {
			continue
		}
		part.quadrant, part.found = quadrant, part.found[:0]
		part.search()
		q.most = cap(q.found)
		for _, f := range part.found {
			q.take(f)
		}
	}
}

// middle is the point a node is looked for at.
func (r *router) middle(a int32) geom.Point {
	b := r.box(a)
	return geom.Pt((b.Min.X+b.Max.X)/2, (b.Min.Y+b.Max.Y)/2)
}

// positions in a tree, by node.
type positions struct {
	from []int32
	all  []int32
}

func (t *tree) byNode(nodes int) positions {
	p := positions{from: make([]int32, nodes+1), all: make([]int32, len(t.samples))}
	for _, s := range t.samples {
		p.from[s.node+1]++
	}
	for a := range nodes {
		p.from[a+1] += p.from[a]
	}
	next := append([]int32(nil), p.from...)
	for i, s := range t.samples {
		p.all[next[s.node]] = int32(i)
		next[s.node]++
	}
	return p
}

func (p positions) positions(a int32) []int32 { return p.all[p.from[a]:p.from[a+1]] }
func (p positions) count(a int32) int         { return int(p.from[a+1] - p.from[a]) }
