package main

// What commands and flags were called before; a person who types one is told what it is
// now. The same for what is done at a practice bench.
var (
	wasCommand = map[string]string{"expect": "predict", "reach": "coverage", "fit": "calibrate"}
	wasAction  = map[string]string{"look": "`inspect`", "lift": "`remove`", "refit": "`reinstall`", "fit": "`replace`", "bridge": "`jumper`", "mend": "`resolder`, `clean` or `jumper`"}
	wasFlag    = map[string]string{"lifted": "removed", "bridged": "jumpered", "fitted": "replaced", "phrase-file": "passphrase-file", "draw-before": "supply", "draw-after": "supply"}
)
