package references

// wasMeterKey holds what keys of a meter were called before.
var wasMeterKey = map[string]string{"over": "`overload_above`", "ohms_over": "`ohms_overload_above`"}
