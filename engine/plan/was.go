package plan

// wasCost holds what the keys of a costs file were called before.
var wasCost = map[string]string{"look": "`inspect`", "lift": "`remove`", "refit": "`reinstall`", "bridge": "`jumper`", "wire": "`jumper_trace`"}
