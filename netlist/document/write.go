package document

import (
	"regexp"
	"strconv"
	"strings"
)

// Writer puts a document together, a key on each line. Values are as YAML writes
// them: Scalar, Flow and FlowList make them.
type Writer struct{ strings.Builder }

// Key adds a key with its value, and nothing where the value is empty.
func (w *Writer) Key(key, value string) {
	if value != "" {
		w.WriteString(key + ": " + value + "\n")
	}
}

// Flow is a mapping on one line in the making.
type Flow struct{ entries []string }

// Add adds a key with its value, and nothing where the value is empty.
func (f *Flow) Add(key, value string) {
	if value != "" {
		f.entries = append(f.entries, key+": "+value)
	}
}

// String is the mapping with its braces.
func (f *Flow) String() string { return "{" + strings.Join(f.entries, ", ") + "}" }

// FlowList writes values as a list on one line.
func FlowList(values ...string) string { return "[" + strings.Join(values, ", ") + "]" }

// Scalars is Scalar for each of some texts.
func Scalars(texts []string) []string {
	list := make([]string, len(texts))
	for i, text := range texts {
		list[i] = Scalar(text)
	}
	return list
}

// plainText is text that stands for itself in YAML without quotes, inside and
// outside of brackets. Being strict costs a pair of quotes; being lax a file.
var plainText = regexp.MustCompile(`^[\pL\pN_]([\pL\pN_ ./%+-]*[\pL\pN_])?$`)

// reserved are plain words that some readers of YAML take for values.
var reserved = regexp.MustCompile(`^(?i:true|false|yes|no|on|off|null|y|n)$`)

// Scalar writes text on one line so that it is read back the same, inside brackets
// too. The escapes of quoted text are those that Go and YAML share.
func Scalar(text string) string {
	if plainText.MatchString(text) && !reserved.MatchString(text) {
		return text
	}
	return strconv.Quote(text)
}

// Optional is Scalar, and nothing for nothing.
func Optional(text string) string {
	if text == "" {
		return ""
	}
	return Scalar(text)
}
