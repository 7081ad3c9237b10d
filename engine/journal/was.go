package journal

// wasKey holds what the keys of events were called before.
var wasKey = map[string]string{
	"look": "`inspect`", "lift": "`remove`", "refit": "`reinstall`", "fit": "`replace`", "bridge": "`jumper`", "power": "`supply`",
	"mend": "`resolder` for joints, `clean` for gaps between pins, and `jumper` for broken traces",
}
