package main

// What commands and flags were called before; whoever types one is told what it is
// now.
var (
	wasCommand = map[string]string{"expect": "predict", "reach": "coverage", "fit": "calibrate"}
	wasFlag    = map[string]string{"lifted": "removed", "bridged": "jumpered", "fitted": "replaced", "phrase-file": "passphrase-file"}
)
