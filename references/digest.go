package references

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"regexp"
)

// digestLength is how many hexadecimal digits of the digest stand in a file
// name: 48 bits, so that among 100,000 sweeps two share one by chance with
// probability 2e-5 (birthday bound n²/2^49).
const digestLength = 12

// digest is the beginning of the SHA-256 (FIPS 180-4) of a file's text. Carriage
// returns do not count, since version control may add them on the way.
func digest(text []byte) string {
	sum := sha256.Sum256(bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n")))
	return hex.EncodeToString(sum[:])[:digestLength]
}

// named finds the digest in a file name that FileName made.
var named = regexp.MustCompile(`-([0-9a-f]{12})\.ya?ml$`)

// edited tells that a file whose name carries a digest holds another text by
// now.
func edited(path string) bool {
	match := named.FindStringSubmatch(filepath.Base(path))
	if match == nil {
		return false
	}
	text, err := os.ReadFile(path) // LoadSweep has read it within its limit
	return err == nil && digest(text) != match[1]
}
