package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestReadme runs every command of README.md that stands in a block marked
// console, from the top down, and compares what it prints exactly. The commands
// see a folder that looks like the top of the repository, and what they write
// goes nowhere else.
func TestReadme(t *testing.T) {
	clean(t)
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	readme := filepath.Join(root, "README.md")
	text, err := os.ReadFile(readme)
	if err != nil {
		t.Fatalf("README.md has to show the commands that work: %v", err)
	}
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for _, e := range entries {
		if err := os.Symlink(filepath.Join(root, e.Name()), filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	got, blocks := playBlocks(&transcript{t: t}, string(text))
	if blocks == 0 {
		t.Fatal("README.md has no block marked ```console with a `$ ` command in it")
	}
	if *update {
		if err := os.WriteFile(readme, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(strings.Split(string(text), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("README.md (-want +got; -update writes it):\n%s", diff)
	}
}

// playBlocks plays the console blocks of a Markdown text as one transcript, and
// returns the text with their outputs put in and the number of blocks that hold
// a command.
func playBlocks(tr *transcript, text string) (string, int) {
	var out strings.Builder
	var block strings.Builder
	inside, blocks := false, 0
	for line := range strings.Lines(text) {
		fence := strings.TrimSpace(line)
		switch {
		case !inside && fence == "```console":
			inside = true
			out.WriteString(line)
		case inside && fence == "```":
			inside = false
			if strings.Contains("\n"+block.String(), "\n$ ") {
				blocks++
			}
			out.WriteString(tr.play(block.String()))
			block.Reset()
			out.WriteString(line)
		case inside:
			block.WriteString(line)
		default:
			out.WriteString(line)
		}
	}
	if inside {
		tr.t.Error("the last console block is not closed")
	}
	return out.String(), blocks
}

// The runner itself: it must see a wrong output and a command that it cannot
// run, and must find its blocks.
func TestPlayBlocks(t *testing.T) {
	const page = "# Title\n\n```sh\n$ not run\n```\n\n```console\n$ halfsplit schema bord\nwrong\n$ echo $?\n0\n```\nend\n"
	got, blocks := playBlocks(&transcript{t: t}, page)
	want := "# Title\n\n```sh\n$ not run\n```\n\n```console\n$ halfsplit schema bord\n" +
		"halfsplit: there is no kind of file `bord`; did you mean `board`?\n$ echo $?\n2\n```\nend\n"
	if diff := cmp.Diff(want, got); diff != "" || blocks != 1 {
		t.Errorf("%d blocks (-want +got):\n%s", blocks, diff)
	}
	var probe testing.T
	(&transcript{t: &probe}).command("rm -r /")
	if !probe.Failed() {
		t.Error("a command that cannot be run passes")
	}
}
