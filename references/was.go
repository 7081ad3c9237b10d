package references

// What keys of a meter and of a supply's current were called before.
var (
	wasMeterKey = map[string]string{"over": "`overload_above`", "ohms_over": "`ohms_overload_above`"}
	wasDrawKey  = map[string]string{"before_key": "`before_button`", "after_key": "`after_button`"}
)
