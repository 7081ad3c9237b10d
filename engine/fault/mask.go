package fault

import "slices"

func setBit(b []uint64, i int) { b[i/64] |= 1 << (i % 64) }

func hasBit(b []uint64, i int) bool { return b[i/64]&(1<<(i%64)) != 0 }

func overlap(a, b []uint64) bool {
	for i := range a {
		if a[i]&b[i] != 0 {
			return true
		}
	}
	return false
}

func union(a, b []uint64) []uint64 {
	out := slices.Clone(a)
	for k := range out {
		out[k] |= b[k]
	}
	return out
}

func without(a, b []uint64) []uint64 {
	out := slices.Clone(a)
	for k := range out {
		out[k] &^= b[k]
	}
	return out
}
