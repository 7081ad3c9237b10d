package lesson

import (
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
