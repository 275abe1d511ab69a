package geom

import (
	"cmp"
	"slices"
	"sort"
)

// Keyed is an item under the key that puts it in order.
type Keyed struct {
	Key  uint64
	Item int32
}

// radixFrom is from how many items on sorting by digits is faster than by comparing (measured).
const radixFrom = 192

// SortKeyed sorts by key; items of equal keys keep their order. It sorts by the digits of the keys from
// the last, of 11 bits each, and passes over those that all items share.
func SortKeyed(items []Keyed) {
	if len(items) < radixFrom {
		slices.SortStableFunc(items, func(a, b Keyed) int { return cmp.Compare(a.Key, b.Key) })
		return
	}
	const bits, digits = 11, 6
	var counts [digits][1 << bits]int32
	for _, it := range items {
		for d := range digits {
			counts[d][it.Key>>(bits*d)&(1<<bits-1)]++
		}
	}
	from, to := items, make([]Keyed, len(items))
	for d := range digits {
		shift := bits * d
		count := &counts[d]
		if count[from[0].Key>>shift&(1<<bits-1)] == int32(len(items)) {
			continue
		}
		var at int32
		for k, n := range count {
			count[k], at = at, at+n
		}
		for _, it := range from {
			k := it.Key >> shift & (1<<bits - 1)
			to[count[k]] = it
			count[k]++
		}
		from, to = to, from
	}
	if &from[0] != &items[0] {
		copy(items, from)
	}
}

// sortHigh sorts by the upper 32 bits items of which the lower 32 rise.
func sortHigh[T ~uint64](items []T) {
	if len(items) < radixFrom {
		slices.Sort(items)
		return
	}
	const bits, digits = 11, 3
	var counts [digits][1 << bits]int32
	for _, it := range items {
		for d := range digits {
			counts[d][it>>(32+bits*d)&(1<<bits-1)]++
		}
	}
	from, to := items, make([]T, len(items))
	for d := range digits {
		shift := 32 + bits*d
		count := &counts[d]
		if count[from[0]>>shift&(1<<bits-1)] == int32(len(items)) {
			continue
		}
		var at int32
		for k, n := range count {
			count[k], at = at, at+n
		}
		for _, it := range from {
			k := it >> shift & (1<<bits - 1)
			to[count[k]] = it
			count[k]++
		}
		from, to = to, from
	}
	if &from[0] != &items[0] {
		copy(items, from)
	}
}

// PointKey puts points in the order of Compare, each in its own key, as long as their coordinates lie
// within ±MostKeyedUM.
func PointKey(p Point) uint64 {
	return uint64(p.X+MostKeyedUM)<<32 | uint64(p.Y+MostKeyedUM)
}

// pointOf is the point with a key.
func pointOf(key uint64) Point {
	return Pt(int64(key>>32)-MostKeyedUM, int64(key&(1<<32-1))-MostKeyedUM)
}

// MostKeyedUM bounds the coordinates that PointKey takes: some 2 km.
const MostKeyedUM = 1 << 31

// FirstKeyed is the index of the first of sorted items whose key is not less.
func FirstKeyed(sorted []Keyed, key uint64) int {
	return sort.Search(len(sorted), func(i int) bool { return sorted[i].Key >= key })
}
