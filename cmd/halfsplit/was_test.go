package main

// renamed gives, for keys and names in testdata/answers.json.gz, which was recorded
// before the words changed, what they are called now.
var renamed = map[string]string{
	"reach": "coverage", "foretold": "predicted", "foretold_overload": "predicted_overload", "belief": "posterior", "alike": "ambiguity_groups",
	"mended": "repaired", "lift": "remove", "look": "inspect", "refit": "reinstall", "fit": "replace", "bridge": "jumper", "wire": "jumper",
	"raised resistance": "high resistance", "joint open": "open joint", "joint poor": "high-resistance joint",
	"trace broken": "broken trace", "trace poor": "high-resistance trace", "leak between pins": "leakage between pins", "probe slipped": "probe missed the pad",
	"clamp": "tvs", "--phrase-file": "--passphrase-file", "phrase.txt": "passphrase.txt",
	"reasons read": "measured", "reasons good": "known_good", // of reasons alone
}
