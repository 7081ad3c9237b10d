package plan

// node is what is known and was done at one moment: a posterior, the setups that are
// paid for, and the tests with noise that were used up.
type node struct {
	hyps     []int32   // hypotheses that agree with the outcomes so far, ascending
	w        []float64 // their probabilities; with Rest they sum to 1
	hopeless float64   // probability that no remedy repairs it: Rest, and what has no needs
	done     bitset    // remedies tried
	open     bitset    // setups paid for
	history  []uint8   // by noisy test: outcome+1, 0 when not used

	value float64 // expected seconds of the policy; of replacing in order until it is known
	next  *edge   // the policy's step; nil to replace in order
	known bool    // value and next are those of the policy
}

// edge is a step that can be taken from a node. A remedy has one kid, "still
// bad", which is absent when it surely repairs.
type edge struct {
	test   *modelTest // nil for a remedy
	remedy int
	cost   float64
	kids   []kid // made when the step is taken
}

type kid struct {
	p float64
	n *node
}

// left returns how many needs of hypothesis h are not met, and the last of them.
// It is 0 for what is repaired or has no needs.
func (n *node) left(m *model, h int32) (left int, last int32) {
	for _, r := range m.needs[h] {
		if !n.done.has(r) {
			left++
			last = r
		}
	}
	return left, last
}

func (n *node) isOpen(f int) bool { return n.open.has(int32(f)) }
