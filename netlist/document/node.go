package document

import "gopkg.in/yaml.v3"

// Kind is what a node is: nothing, text, a list or a mapping.
type Kind uint8

// Kinds of nodes.
const (
	Nothing Kind = iota // absent, empty, `~` or `null`
	Text
	List
	Mapping
)

// String names a kind as messages do.
func (k Kind) String() string {
	return [...]string{"nothing", "text", "a list", "a mapping"}[k]
}

// Node is one node of a document. The zero Node is absent: it is Nothing, has
// no text, items or entries, and its methods may be called without asking
// first.
type Node struct {
	file string
	raw  *yaml.Node
}

// Kind returns what the node is.
func (n Node) Kind() Kind {
	if n.raw == nil {
		return Nothing
	}
	switch n.raw.Kind {
	case yaml.MappingNode:
		return Mapping
	case yaml.SequenceNode:
		return List
	case yaml.ScalarNode:
		if n.raw.Tag == "!!null" {
			return Nothing
		}
		return Text
	}
	return Nothing
}

// Exists tells that the node stands in the file, though it may be empty.
func (n Node) Exists() bool { return n.raw != nil }

// At returns the node's place in its file.
func (n Node) At() Position {
	if n.raw == nil {
		return Position{File: n.file}
	}
	return Position{n.file, n.raw.Line, n.raw.Column}
}

// Text returns the text of a scalar as it is written, "" for other nodes.
func (n Node) Text() string {
	if n.Kind() != Text {
		return ""
	}
	return n.raw.Value
}

// Items returns the items of a list in file order. A single text stands for a
// list of one, so that `supply: A1` reads as `supply: [A1]`; a Shape says
// where that is allowed.
func (n Node) Items() []Node {
	switch n.Kind() {
	case List:
		items := make([]Node, len(n.raw.Content))
		for i, c := range n.raw.Content {
			items[i] = Node{n.file, c}
		}
		return items
	case Text:
		return []Node{n}
	}
	return nil
}

// Entry is one key of a mapping with its value.
type Entry struct{ Key, Value Node }

// Name returns the text of the entry's key.
func (e Entry) Name() string { return e.Key.raw.Value }

// Entries returns the entries of a mapping in file order.
func (n Node) Entries() []Entry {
	if n.Kind() != Mapping {
		return nil
	}
	entries := make([]Entry, 0, len(n.raw.Content)/2)
	for i := 0; i+1 < len(n.raw.Content); i += 2 {
		entries = append(entries, Entry{Node{n.file, n.raw.Content[i]}, Node{n.file, n.raw.Content[i+1]}})
	}
	return entries
}

// Get returns the value of a key of a mapping, an absent node where the key is
// not there.
func (n Node) Get(key string) Node {
	if n.Kind() == Mapping {
		for i := 0; i+1 < len(n.raw.Content); i += 2 {
			if n.raw.Content[i].Value == key {
				return Node{n.file, n.raw.Content[i+1]}
			}
		}
	}
	return Node{file: n.file}
}
