package circuit

import (
	"math"
	"math/bits"
	"slices"
)

// structure is what can be worked out from who is joined to whom, before any
// value is known: which nodes the meter can reach, in which order to eliminate
// them, and where in the matrix each part belongs. It is kept between calls
// and made anew only when the joins change.
//
// The matrix is a table of conductances between places. A place is a node in
// the order of elimination; place n stands for the reference. Conductances to
// the reference are kept apart from the others, at cells 0 to n-1; the
// conductances between place k and later places lie from n+start[k] on, and
// rows tells which later places those are, in rising order.
type structure struct {
	nodes int
	pairs [][2]Node // joins of resistors, junctions and source, to see if they changed

	open      bool    // the meter's probes are not joined by the network
	reference Node    // the node that is 0 V during the solution
	plusSide  []bool  // when open: nodes that are joined to Plus
	minusSide []bool  // when open: nodes that are joined to Minus
	floating  []bool  // nodes without any path to ground
	n         int     // number of places
	nodeAt    []Node  // place -> node
	place     []int32 // node -> place; n for the reference, -1 out of the meter's reach
	start     []int32
	rows      []int32
	resCell   []int32 // resistor -> cell, -1 for none
	junctions []int32 // the junctions within reach
	junCell   []int32 // per junction within reach
	srcCell   int32

	// Scratch.
	parent []int32 // union-find
	column []int32 // the columns by old places, as they are eliminated
	colEnd []int32
	order  []int32  // old places as they are eliminated
	moved  []int32  // old place -> place
	byOld  []Node   // old place -> node
	degree []int32  // by old place: its neighbours that are left
	near   []uint64 // by old place: a bit for each neighbour; of eliminateFew
	queue  queue    // of eliminateMany
}

// same tells whether c has the joins that st was made for.
func (st *structure) same(c *Circuit) bool {
	if st.nodes != c.Nodes || len(st.pairs) != len(c.Resistors)+len(c.Junctions)+1 || len(st.resCell) != len(c.Resistors) {
		return false
	}
	p := st.pairs
	if p[0] != [2]Node{c.Source.Plus, c.Source.Minus} {
		return false
	}
	p = p[1:]
	for i := range c.Resistors {
		if p[i][0] != c.Resistors[i].A || p[i][1] != c.Resistors[i].B {
			return false
		}
	}
	p = p[len(c.Resistors):]
	for i := range c.Junctions {
		if p[i][0] != c.Junctions[i].Anode || p[i][1] != c.Junctions[i].Cathode {
			return false
		}
	}
	return true
}

func (st *structure) build(c *Circuit) {
	st.nodes = c.Nodes
	st.pairs = append(st.pairs[:0], [2]Node{c.Source.Plus, c.Source.Minus})
	for i := range c.Resistors {
		st.pairs = append(st.pairs, [2]Node{c.Resistors[i].A, c.Resistors[i].B})
	}
	for i := range c.Junctions {
		st.pairs = append(st.pairs, [2]Node{c.Junctions[i].Anode, c.Junctions[i].Cathode})
	}
	st.islands(c)
	if !st.open {
		st.eliminate()
	}
	st.cells(c)
}

// islands finds which nodes hang together and picks the reference.
func (st *structure) islands(c *Circuit) {
	st.parent = resize(st.parent, c.Nodes)
	for i := range st.parent {
		st.parent[i] = int32(i)
	}
	find := func(x int32) int32 {
		for st.parent[x] != x {
			st.parent[x] = st.parent[st.parent[x]]
			x = st.parent[x]
		}
		return x
	}
	for _, p := range st.pairs[1:] {
		a, b := find(p[0]), find(p[1])
		if a != b {
			st.parent[max(a, b)] = min(a, b)
		}
	}
	ground, plus, minus := find(0), find(c.Source.Plus), find(c.Source.Minus)
	st.open = plus != minus
	// The reference has to be under a probe: when nothing but a reversed junction
	// leads to it, the current that cancels between the probes would leave a
	// rounding error with only picosiemens to go through. Ground, which most has a
	// path to, is best, as conductances to the reference fill nothing in.
	st.reference = c.Source.Minus
	if c.Source.Plus == 0 {
		st.reference = 0
	}
	st.floating = resize(st.floating, c.Nodes)
	st.plusSide = resize(st.plusSide, c.Nodes)
	st.minusSide = resize(st.minusSide, c.Nodes)
	st.place = resize(st.place, c.Nodes)
	st.nodeAt = st.nodeAt[:0]
	for v := range int32(c.Nodes) {
		island := find(v)
		st.floating[v] = island != ground
		st.plusSide[v] = st.open && island == plus
		st.minusSide[v] = st.open && island == minus
		st.place[v] = -1
		if !st.open && island == plus && v != st.reference {
			st.place[v] = int32(len(st.nodeAt))
			st.nodeAt = append(st.nodeAt, v)
		}
	}
	st.n = len(st.nodeAt)
}

// eliminate orders the places so that eliminating them one after another
// leaves few new neighbours: always the one with the fewest neighbours next
// (minimum degree). On a tree that makes none at all.
func (st *structure) eliminate() {
	n := st.n
	st.column, st.colEnd, st.order = st.column[:0], st.colEnd[:0], st.order[:0]
	if n <= fewPlaces {
		st.eliminateFew()
	} else {
		st.eliminateMany()
	}
	// From here on places are counted in the order of elimination.
	st.moved = resize(st.moved, n)
	st.byOld = append(st.byOld[:0], st.nodeAt...)
	for k, old := range st.order {
		st.moved[old] = int32(k)
	}
	for old, v := range st.byOld {
		st.nodeAt[st.moved[old]] = v
		st.place[v] = st.moved[old]
	}
	st.rows = resize(st.rows, len(st.column))
	for i, old := range st.column {
		st.rows[i] = st.moved[old]
	}
	st.start = append(st.start[:0], 0)
	st.start = append(st.start, st.colEnd...)
	for k := range n {
		slices.Sort(st.rows[st.start[k]:st.start[k+1]])
	}
	st.place[st.reference] = int32(n)
}

// fewPlaces is the number of places up to which eliminateFew is the faster.
const fewPlaces = 256

// eliminateFew keeps the neighbours of each place as bits.
func (st *structure) eliminateFew() {
	n := st.n
	words := (n + 63) / 64
	st.near = resize(st.near, n*words)
	clear(st.near)
	st.degree = resize(st.degree, n)
	row := func(k int32) []uint64 { return st.near[int(k)*words:][:words] }
	count := func(k int32) (d int32) {
		for _, m := range row(k) {
			d += int32(bits.OnesCount64(m))
		}
		return d
	}
	for _, p := range st.pairs {
		a, b := st.place[p[0]], st.place[p[1]]
		if a >= 0 && b >= 0 && a != b {
			row(a)[b/64] |= 1 << (b % 64)
			row(b)[a/64] |= 1 << (a % 64)
		}
	}
	for k := range st.degree {
		st.degree[k] = count(int32(k))
	}
	const gone = math.MaxInt32
	for range n {
		best, fewest := int32(0), int32(gone)
		for k, d := range st.degree {
			if d < fewest {
				if best, fewest = int32(k), d; d <= 1 {
					break // none has fewer but one that hangs on nothing, which makes no neighbours either
				}
			}
		}
		st.degree[best] = gone
		star := row(best)
		for w, m := range star {
			for ; m != 0; m &= m - 1 {
				i := int32(64*w + bits.TrailingZeros64(m))
				r := row(i)
				for v, joined := range star {
					r[v] |= joined
				}
				r[best/64] &^= 1 << (best % 64)
				r[w] &^= 1 << (i % 64)
				st.degree[i] = count(i)
				st.column = append(st.column, i)
			}
		}
		st.colEnd = append(st.colEnd, int32(len(st.column)))
		st.order = append(st.order, best)
	}
}

// queue is the scratch of eliminateMany: the places by the number of their
// neighbours.
type queue struct {
	near       [][]int32 // by old place: its neighbours, at times with those gone
	mark       []int32   // by old place: one more than the last place that it was seen near
	head       []int32   // degree -> first place of the chain, -1 for none
	next, prev []int32   // by old place
	gone       []bool    // by old place
	live       []int32
	before     []int32
}

func (q *queue) ready(n int) {
	for len(q.near) < n {
		q.near = append(q.near, nil)
	}
	for k := range n {
		q.near[k] = q.near[k][:0]
	}
	q.head, q.next, q.prev, q.gone, q.mark = resize(q.head, n), resize(q.next, n), resize(q.prev, n), resize(q.gone, n), resize(q.mark, n)
	clear(q.gone)
	clear(q.mark)
}

// eliminateMany keeps neighbours in lists, marks those of one place to tell which it
// lacks, and finds the place with the fewest neighbours through chains by degree.
func (st *structure) eliminateMany() {
	n := st.n
	q := &st.queue
	q.ready(n)
	st.degree = resize(st.degree, n)
	near, degree, mark := q.near, st.degree, q.mark
	join := func(a, b int32) {
		near[a] = append(near[a], b)
		near[b] = append(near[b], a)
	}
	for _, p := range st.pairs {
		a, b := st.place[p[0]], st.place[p[1]]
		if a >= 0 && b >= 0 && a != b {
			join(a, b)
		}
	}
	for k := range near[:n] { // parts side by side join two places more than once
		once := near[k][:0]
		for _, b := range near[k] {
			if mark[b] != int32(k)+1 {
				mark[b] = int32(k) + 1
				once = append(once, b)
			}
		}
		near[k], degree[k] = once, int32(len(once))
	}
	clear(mark)
	head, next, prev, gone := q.head, q.next, q.prev, q.gone
	for d := range head {
		head[d] = -1
	}
	put := func(k int32) {
		d := degree[k]
		next[k], prev[k] = head[d], -1
		if head[d] >= 0 {
			prev[head[d]] = k
		}
		head[d] = k
	}
	take := func(k int32, d int32) {
		if prev[k] >= 0 {
			next[prev[k]] = next[k]
		} else {
			head[d] = next[k]
		}
		if next[k] >= 0 {
			prev[next[k]] = prev[k]
		}
	}
	for k := n - 1; k >= 0; k-- {
		put(int32(k))
	}
	live, before := q.live[:0], q.before[:0]
	lowest := int32(0)
	for len(st.order) < n {
		for head[lowest] < 0 {
			lowest++
		}
		if int(lowest) == n-len(st.order)-1 {
			// All that is left is joined to all that is left: any order does,
			// and there is no need to look for new neighbours.
			rest := live[:0]
			for k := range int32(n) {
				if !gone[k] {
					rest = append(rest, k)
				}
			}
			for i, k := range rest {
				st.column = append(st.column, rest[i+1:]...)
				st.colEnd = append(st.colEnd, int32(len(st.column)))
				st.order = append(st.order, k)
			}
			break
		}
		best := head[lowest]
		take(best, lowest)
		gone[best] = true
		live, before = live[:0], before[:0]
		for _, i := range near[best] {
			if !gone[i] {
				live = append(live, i)
				before = append(before, degree[i])
			}
		}
		for i, a := range live {
			left := near[a][:0]
			for _, b := range near[a] {
				if !gone[b] {
					mark[b] = a + 1
					left = append(left, b)
				}
			}
			near[a] = left
			for _, b := range live[i+1:] {
				if mark[b] != a+1 {
					join(a, b)
				}
			}
			degree[a] = int32(len(near[a]))
		}
		for i, a := range live {
			take(a, before[i])
			put(a)
			lowest = min(lowest, degree[a])
		}
		st.column = append(st.column, live...)
		st.colEnd = append(st.colEnd, int32(len(st.column)))
		st.order = append(st.order, best)
	}
	q.live, q.before = live, before
}

// cells finds where in the matrix each part belongs.
func (st *structure) cells(c *Circuit) {
	st.resCell = resize(st.resCell, len(c.Resistors))
	st.junctions, st.junCell = st.junctions[:0], st.junCell[:0]
	for i := range c.Resistors {
		st.resCell[i] = st.cell(c.Resistors[i].A, c.Resistors[i].B)
	}
	for i := range c.Junctions {
		if cell := st.cell(c.Junctions[i].Anode, c.Junctions[i].Cathode); cell >= 0 {
			st.junctions = append(st.junctions, int32(i))
			st.junCell = append(st.junCell, cell)
		}
	}
	st.srcCell = st.cell(c.Source.Plus, c.Source.Minus)
}

// cell gives the cell of a conductance between two nodes; -1 when it lies out
// of the meter's reach or joins a node to itself, and so carries no current, or
// when the matrix has no such cell.
func (st *structure) cell(u, v Node) int32 {
	if st.open {
		return -1
	}
	a, b := st.place[u], st.place[v]
	if a < 0 || b < 0 || a == b {
		return -1
	}
	if a > b {
		a, b = b, a
	}
	if int(b) == st.n {
		return a
	}
	lo, end := st.start[a], st.start[a+1]
	for hi := end; lo < hi; {
		mid := (lo + hi) / 2
		if st.rows[mid] < b {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo == end || st.rows[lo] != b {
		return -1
	}
	return int32(st.n) + lo
}

// resize gives a slice of length n, of the old memory if that is large enough.
// What it holds is anything.
func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/4)
	}
	return s[:n]
}
