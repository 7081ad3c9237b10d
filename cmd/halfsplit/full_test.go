//go:build unix

package main

import (
	"errors"
	"io/fs"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"testing"
)

// TestWriteNewLeavesNothing: where a disk is full, no part of a file is left that
// would stand in the way of the next try. A limit on the size of files stands for
// the full disk.
func TestWriteNewLeavesNothing(t *testing.T) {
	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	var old syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		t.Skip("no limit on the size of files here: ", err)
	}
	file := filepath.Join(t.TempDir(), "board.yaml")
	small := old
	small.Cur = 10
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &small); err != nil {
		t.Skip("no limit on the size of files here: ", err)
	}
	err := writeNew(file, make([]byte, 100))
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		t.Fatal(err)
	}
	if err == nil {
		t.Error("100 bytes went into a file of 10")
	}
	if _, err := os.Stat(file); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a part of the file is left: %v", err)
	}
	if err := writeNew(file, []byte("whole")); err != nil {
		t.Errorf("the next try: %v", err)
	}
	if err := writeNew(file, []byte("again")); !errors.Is(err, fs.ErrExist) {
		t.Errorf("over a file that is there: %v", err)
	}
	if text, _ := os.ReadFile(file); string(text) != "whole" {
		t.Errorf("the file that was there holds %q", text)
	}
}
