package main

import (
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/plan"
	practicefile "halfsplit/engine/practice/lesson"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/references"
)

// fileKind is a kind of file that people write.
type fileKind struct {
	name  string // as in `halfsplit schema NAME`
	title string // of its schema
	shape func() *document.Shape
	mark  string // a key without which it is no such file, "" for none
}

// fileKinds lists the kinds of files. A file that fits several alike counts as
// the first of them.
var fileKinds = []fileKind{
	{kindBoard, "halfsplit board file", netlist.BoardShape, ""},
	{kindSweep, "halfsplit sweep file: one pass over one good board", references.SweepShape, ""},
	{kindCase, "halfsplit case file: one event of a repair", journal.CaseShape, ""},
	{kindPractice, "halfsplit practice file", practicefile.PracticeShape, "practice"},
	{kindClass, "halfsplit class file: students of practice cases", practicefile.RosterShape, "class"},
	{kindCosts, "halfsplit costs file: repair time", plan.CostsShape, ""},
	{kindRates, "halfsplit rates file: what repair time, parts and a replacement board cost", plan.RatesShape, "hour"},
	{kindPriors, "halfsplit priors file: likelihoods of faults", fault.PriorsShape, ""},
	{kindWithdraw, "halfsplit withdrawal: takes a sweep out of use", references.WithdrawShape, ""},
}

// Names of kinds.
const (
	kindBoard    = "board"
	kindSweep    = "sweep"
	kindCase     = "case"
	kindPractice = "practice"
	kindClass    = "class"
	kindCosts    = "costs"
	kindRates    = "rates"
	kindPriors   = "priors"
	kindWithdraw = "withdraw"
	kindUnknown  = ""
)

// kindOf tells what a file is by the keys at its top: the kind that knows the
// most of them, and half of them at least; otherwise it is kindUnknown.
func kindOf(keys []string) string {
	best, most := kindUnknown, (len(keys)-1)/2
	for _, k := range fileKinds {
		if k.mark != "" && !slices.Contains(keys, k.mark) {
			continue
		}
		if n := k.knows(keys); n > most {
			best, most = k.name, n
		}
	}
	return best
}

// knows counts the keys that may stand at the top of a file of this kind.
func (k *fileKind) knows(keys []string) int {
	known := make(map[string]bool)
	for _, f := range k.shape().Fields {
		known[f.Name] = true
	}
	n := 0
	for _, key := range keys {
		if known[key] {
			n++
		}
	}
	return n
}

// kindOfNodes is kindOf on a file that has been read. Where several kinds know
// as many of its keys (case and costs files both have `look` and `remove`), it is
// the one that finds the least wrong.
func kindOfNodes(nodes []document.Node) string {
	var keys []string
	for _, n := range nodes {
		for _, e := range n.Entries() {
			keys = append(keys, e.Name())
		}
	}
	best, most, least := kindOf(keys), 0, 0
	for _, k := range fileKinds {
		n := k.knows(keys)
		if best == kindUnknown || n < most {
			continue
		}
		wrong := 0
		for _, node := range nodes {
			wrong += len(k.shape().Check(node))
		}
		if n > most || wrong < least {
			best, most, least = k.name, n, wrong
		}
	}
	return best
}

// insteadOf looks why a file could not be read as one of a kind. Where it is a
// file of another kind, that is all there is to say; otherwise the error stands.
func insteadOf(kind, file string, err error) error {
	if err == nil {
		return nil
	}
	nodes, _ := document.Read(file, 0)
	if is := kindOfNodes(nodes); is != kindUnknown && is != kind {
		return document.Problems{{
			Position: document.Position{File: file},
			What:     "is a " + is + " file, where a " + kind + " file is wanted",
			Do:       "name a " + kind + " file",
		}}
	}
	return err
}
