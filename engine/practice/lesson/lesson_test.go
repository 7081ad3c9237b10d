package lesson

import (
	"os"
	"runtime/debug"
	"testing"
)

const (
	boardFile  = "../../../testdata/boards/sensor12.yaml"
	passphrase = "a passphrase for tests, not a secret"
	rounds     = 10 // of hashing; tests need no strength
)

func made(t testing.TB, o Order) *Class {
	t.Helper()
	c, err := Make(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestMain lets the heap grow: collecting garbage takes a sixth of the time otherwise.
func TestMain(m *testing.M) {
	debug.SetGCPercent(400)
	os.Exit(m.Run())
}
