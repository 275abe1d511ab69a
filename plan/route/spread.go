package route

// spreadSpan is how many places an item is moved at most.
const spreadSpan = 60

// spread moves items away from their place in the path where the one before ended less than within
// µm from where the next begins, as long as the path grows by no more than permille. Cheap moves
// come first: what one move may cost starts at an even share of the allowance and doubles.
func (r *router) spread(permille, within int64) {
	s := spreader{router: r, within: within, most: r.total + r.total/1000*permille + r.total%1000*permille/1000}
	hot := int64(0)
	for k := 1; k < len(r.path)-2; k++ {
		hot += s.hot(r.path[k], r.path[k+1])
	}
	if hot == 0 {
		return
	}
	for share := max(1, (s.most-r.total)/hot); ; share *= 2 {
		s.share = share
		for s.pass() {
		}
		if share > s.most-r.total {
			break
		}
	}
}

type spreader struct {
	*router
	within int64
	most   int64 // cost of the path that may not be passed
	share  int64 // what one move may cost for each hot link that it takes away
}

// hot is 1 where the way between two items is short enough to heat the same spot.
func (s *spreader) hot(a, b int32) int64 {
	if a <= endNode || b <= endNode || s.mate[a] == b {
		return 0
	}
	dx, dy := s.at[a].X-s.at[b].X, s.at[a].Y-s.at[b].Y
	if max(dx, -dx, dy, -dy) < s.within && dx*dx+dy*dy < s.within*s.within {
		return 1
	}
	return 0
}

// pass goes along the path once and says whether anything moved.
func (s *spreader) pass() bool {
	moved := false
	for k := int32(1); int(k) < len(s.path)-2; k++ {
		if s.hot(s.path[k], s.path[k+1]) == 1 && s.away(k+1) {
			moved = true
		}
	}
	return moved
}

// away moves the item that begins at place k to the spot within reach that takes away most hot
// links, the cheapest of these.
func (s *spreader) away(k int32) bool {
	end := k
	if s.mate[s.path[k]] == s.path[k+1] {
		end++
	}
	before, first, last, after := s.path[k-1], s.path[k], s.path[end], s.path[end+1]
	goneCost := s.link(before, first) + s.link(last, after) - s.link(before, after)
	goneHot := s.hot(before, first) + s.hot(last, after) - s.hot(before, after)
	var bestHot, bestCost int64
	var p, q, t int32
	for i := max(0, k-spreadSpan); i < min(int32(len(s.path)-1), end+spreadSpan); i++ {
		if i >= k-1 && i <= end || s.mate[s.path[i]] == s.path[i+1] {
			continue
		}
		y, z := s.path[i], s.path[i+1]
		hot := goneHot - s.hot(y, first) - s.hot(last, z) + s.hot(y, z)
		cost := s.link(y, first) + s.link(last, z) - s.link(y, z) - goneCost
		if hot < max(1, bestHot) || hot == bestHot && cost >= bestCost || cost > hot*s.share || s.total+cost > s.most {
			continue
		}
		a, b, c := k-1, end, i
		if i < k {
			a, b, c = i, k-1, end
		}
		if s.allowed(a, b, c, swapped) {
			bestHot, bestCost, p, q, t = hot, cost, a, b, c
		}
	}
	if bestHot == 0 {
		return false
	}
	s.put(p, q, t, swapped)
	s.total += bestCost
	return true
}
