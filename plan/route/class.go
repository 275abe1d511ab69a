package route

import (
	"maps"
	"slices"
)

// classRanks counts the classes that occur from 0, in order.
func classRanks(items []Item) map[int]int32 {
	ranks := map[int]int32{}
	for _, it := range items {
		ranks[it.Class] = 0
	}
	for rank, class := range slices.Sorted(maps.Keys(ranks)) {
		ranks[class] = int32(rank)
	}
	return ranks
}

// nodesByClass are the nodes of items, those of each class together.
func (r *router) nodesByClass() [][]int32 {
	var out [][]int32
	for a := int32(endNode + 1); a < int32(len(r.at)); a++ {
		for int(r.class[a]) >= len(out) {
			out = append(out, nil)
		}
		out[r.class[a]] = append(out[r.class[a]], a)
	}
	return out
}
