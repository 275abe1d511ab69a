package contour

// groups puts numbers that belong together into groups; each is named by its least member.
type groups []int32

func newGroups(n int) groups {
	g := make(groups, n)
	for i := range g {
		g[i] = int32(i)
	}
	return g
}

// of names the group of i.
func (g groups) of(i int) int {
	for int(g[i]) != i {
		g[i] = g[g[i]]
		i = int(g[i])
	}
	return i
}

// unite makes one group of those of a and b.
func (g groups) unite(a, b int) {
	a, b = g.of(a), g.of(b)
	g[max(a, b)] = int32(min(a, b))
}
