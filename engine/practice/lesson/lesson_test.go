package lesson

import (
	"os"
	"testing"

	"halfsplit/netlist"
)

const (
	boardFile = "../../../testdata/boards/sensor12.yaml"
	phrase    = "a phrase for tests, not a secret"
	rounds    = 10 // of hashing; tests need no strength
)

// order is an order for the small board.
func order(t testing.TB, lesson string, count int, seed uint64) Order {
	t.Helper()
	text, err := os.ReadFile(boardFile)
	if err != nil {
		t.Fatal(err)
	}
	b, err := netlist.Load(boardFile)
	if err != nil {
		t.Fatal(err)
	}
	return Order{Board: b, BoardText: text, Set: "spring", Lesson: lesson, Count: count, Seed: seed, Phrase: phrase, Rounds: rounds}
}

func made(t testing.TB, o Order) *Class {
	t.Helper()
	c, err := Make(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}
