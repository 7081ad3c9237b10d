package plan

// AmbiguityGroups lists the groups of two or more hypotheses that no test tells
// apart (IEEE Std 1522).
func AmbiguityGroups(p *Problem) [][]int { return nil }
