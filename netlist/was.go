package netlist

// What keys and words of board files were called before; the decoder answers them
// with what they are called now.
var (
	wasBoardKey = map[string]string{"alike": "`matched`"}
	wasPartKey  = map[string]string{"way": "`direction` of a TVS or ESD diode (unidirectional, bidirectional), and `channel` of a transistor (n, p)"}
	wasKind     = map[string]string{"clamp": "`tvs`"}
)
