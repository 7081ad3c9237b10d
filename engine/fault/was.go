package fault

// What keys of a priors file were called before.
var (
	wasMode = map[string]string{"raised": "`high`"}
	wasKind = map[string]string{"clamp": "`tvs`"}
)
