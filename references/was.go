package references

// wasSweepKey holds what keys of a sweep were called before.
var wasSweepKey = map[string]string{"draw": "`supply`"}

// wasMeterKey holds what keys of a meter were called before.
var wasMeterKey = map[string]string{"over": "`overload_above`", "ohms_over": "`ohms_overload_above`"}
