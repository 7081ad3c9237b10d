package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestReadme runs every command of README.md that stands in a block marked
// console, from the top down, and compares what it prints exactly. A block marked
// yaml with the name of a file is what the reader is asked to save there, and is
// saved; >> before the name adds it to the end of the file. The commands see a
// folder that looks like the top of the repository, and what they write goes
// nowhere else.
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
	got, blocks := playBlocks(&console{t: t}, string(text))
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

// playBlocks plays the console blocks of a Markdown text as one console and
// saves its files. It returns the text with the outputs put in, and the number of
// blocks that hold a command.
func playBlocks(tr *console, text string) (string, int) {
	var out strings.Builder
	var block strings.Builder
	info, inside, blocks := "", false, 0
	for line := range strings.Lines(text) {
		fence, isFence := strings.CutPrefix(strings.TrimSpace(line), "```")
		switch {
		case isFence && !inside:
			info, inside = fence, true
		case isFence:
			if info == "console" {
				if strings.Contains("\n"+block.String(), "\n$ ") {
					blocks++
				}
				out.WriteString(tr.play(block.String()))
			} else {
				if name, ok := strings.CutPrefix(info, "yaml "); ok {
					save(tr.t, name, block.String())
				}
				out.WriteString(block.String())
			}
			block.Reset()
			inside = false
		case inside:
			block.WriteString(line)
			continue
		}
		out.WriteString(line)
	}
	if inside {
		tr.t.Error("the last block is not closed")
	}
	return out.String(), blocks
}

// save writes a file that the README asks for into the folder that its commands
// stand in, or adds to it where the name begins with >>. It never writes over a
// file, which might be a link into the repository.
func save(t *testing.T, name, text string) {
	t.Helper()
	mode := os.O_CREATE | os.O_EXCL
	name, more := strings.CutPrefix(name, ">>")
	if more {
		mode = os.O_APPEND
	}
	if !filepath.IsLocal(name) {
		t.Errorf("%s: a file of the README has to stay in its folder", name)
		return
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		t.Error(err)
		return
	}
	f, err := os.OpenFile(name, mode|os.O_WRONLY, 0o666)
	if err != nil {
		t.Error(err)
		return
	}
	if _, err := f.WriteString(text); err != nil {
		t.Error(err)
	}
	if err := f.Close(); err != nil {
		t.Error(err)
	}
}

// The runner itself: it must see a wrong output and a command that it cannot
// run, and must find its blocks.
func TestPlayBlocks(t *testing.T) {
	const page = "# Title\n\n```sh\n$ not run\n```\n\n```console\n$ halfsplit schema bord\nwrong\n$ echo $?\n0\n```\nend\n"
	got, blocks := playBlocks(&console{t: t}, page)
	want := "# Title\n\n```sh\n$ not run\n```\n\n```console\n$ halfsplit schema bord\n" +
		"halfsplit: there is no kind of file `bord`; did you mean `board`?\n$ echo $?\n2\n```\nend\n"
	if diff := cmp.Diff(want, got); diff != "" || blocks != 1 {
		t.Errorf("%d blocks (-want +got):\n%s", blocks, diff)
	}
	for what, wrong := range map[string]func(*console){
		"a command that cannot be run": func(tr *console) { tr.command("rm -r /") },
		"a file somewhere else":        func(tr *console) { save(tr.t, "../x.yaml", "") },
		"a file saved twice":           func(tr *console) { save(tr.t, "x.yaml", ""); save(tr.t, "x.yaml", "") },
		"adding to no file":            func(tr *console) { save(tr.t, ">>y.yaml", "") },
	} {
		t.Chdir(t.TempDir())
		var probe testing.T
		wrong(&console{t: &probe})
		if !probe.Failed() {
			t.Errorf("%s passes", what)
		}
	}
}

// TestPages holds README.md and DEVELOPERS.md to the tree: a test, a file or a
// folder that they name in `marks` is there. (That DEVELOPERS.md names every
// package is checked by .ci/run, which sees only what is committed.)
func TestPages(t *testing.T) {
	t.Chdir("../..")
	tests := map[string]bool{}
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" {
			return err
		}
		text, err := os.ReadFile(path)
		for _, m := range testFunction.FindAllStringSubmatch(string(text), -1) {
			tests[m[1]] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, page := range []string{"README.md", "DEVELOPERS.md"} {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for n, line := range strings.Split(string(text), "\n") {
			for _, m := range marked.FindAllStringSubmatch(line, -1) {
				switch word := m[1]; {
				case testName.MatchString(word):
					if !tests[word] {
						t.Errorf("%s:%d: there is no test `%s`", page, n+1, word)
					}
				case pathName.MatchString(word):
					if found, err := filepath.Glob(word); err != nil || found == nil {
						t.Errorf("%s:%d: there is no `%s`", page, n+1, word)
					}
				}
			}
		}
	}
}

var (
	testFunction = regexp.MustCompile(`(?m)^func ((?:Test|Benchmark|Fuzz|Example)\w*)\(`)
	testName     = regexp.MustCompile(`^(Test|Benchmark|Fuzz)\w+$`)
	pathName     = regexp.MustCompile(`^(cmd|netlist|engine|references|testdata|\.ci)(/[\w.*/-]*)?$`)
	marked       = regexp.MustCompile("`([^`]+)`")
)
