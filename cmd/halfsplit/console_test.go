package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write what the program prints into the expected files")

// A console is a text in which lines that begin with "$ " are commands and
// the lines up to the next one are what they print. It is run from the top, and
// its outputs are compared exactly.
//
// In the files of testdata, standard error stands behind "stderr| " and an exit
// code other than 0 behind "exit| ". In the README both streams are printed as a
// terminal would show them.
//
// The commands are halfsplit, also as `go run ./cmd/halfsplit`, and of the
// shell's `cd DIR`, `cat FILE...`, `ls DIR`, `mkdir DIR` and `echo $?`. Variables
// may be set before a command, as in `NO_COLOR=1 halfsplit ...`.
type console struct {
	t      *testing.T
	marked bool // standard error and exit codes are marked
	exit   int  // of the last halfsplit command
}

// play runs the commands of a text and returns it with their outputs put in.
// Lines before the first command are kept.
func (tr *console) play(text string) string {
	var out strings.Builder
	skipping := false
	for line := range strings.Lines(text) {
		command, ok := strings.CutPrefix(line, "$ ")
		if !ok {
			// Behind an output, a comment stands for the commands below it.
			if skipping = skipping && !strings.HasPrefix(line, "# "); !skipping {
				out.WriteString(line)
			}
			continue
		}
		out.WriteString(line)
		out.WriteString(tr.command(strings.TrimSpace(command)))
		skipping = true
	}
	return out.String()
}

// command runs one command line and returns what it prints.
func (tr *console) command(line string) string {
	tr.t.Helper()
	words := shellWords(tr.t, line)
	for len(words) > 0 && assignment.MatchString(words[0]) {
		key, value, _ := strings.Cut(words[0], "=")
		defer setenv(tr.t, key, value)()
		words = words[1:]
	}
	if rest, ok := cutWords(words, "go", "run", "./cmd/halfsplit"); ok {
		if _, err := os.Stat("cmd/halfsplit/main.go"); err != nil {
			tr.t.Errorf("%s: not in the top folder of the repository", line)
		}
		words = append([]string{"halfsplit"}, rest...)
	}
	if len(words) == 0 {
		tr.t.Fatalf("%q is no command", line)
	}
	args := words[1:]
	fail := func(err error) {
		if err != nil {
			tr.t.Errorf("$ %s: %v", line, err)
		}
	}
	switch words[0] {
	case "halfsplit":
		return tr.run(args)
	case "cd":
		fail(os.Chdir(args[0]))
		return ""
	case "mkdir":
		fail(os.Mkdir(args[0], 0o777))
		return ""
	case "ls":
		entries, err := os.ReadDir(args[0])
		fail(err)
		var names string
		for _, e := range entries {
			names += e.Name() + "\n"
		}
		return names
	case "cat":
		var all string
		for _, file := range args {
			text, err := os.ReadFile(file)
			fail(err)
			all += string(text)
		}
		return all
	case "echo":
		if slices.Equal(args, []string{"$?"}) {
			return fmt.Sprintln(tr.exit)
		}
	}
	tr.t.Errorf("$ %s: this test cannot run it; use halfsplit, cd, cat, ls, mkdir or `echo $?`", line)
	return ""
}

func (tr *console) run(args []string) string {
	var stdout, stderr bytes.Buffer
	tr.exit = run(args, strings.NewReader(""), &stdout, &stderr)
	out, errs := endLine(stdout.String()), endLine(stderr.String())
	if !tr.marked {
		return out + errs
	}
	for line := range strings.Lines(errs) {
		out += "stderr| " + line
	}
	if tr.exit != 0 {
		out += fmt.Sprintf("exit| %d\n", tr.exit)
	}
	return out
}

func endLine(text string) string {
	if text != "" && !strings.HasSuffix(text, "\n") {
		return text + "\n"
	}
	return text
}

var assignment = regexp.MustCompile(`^[A-Z_]+=`)

// setenv sets a variable and returns what puts it back.
func setenv(t *testing.T, key, value string) func() {
	old, had := os.LookupEnv(key)
	if err := os.Setenv(key, value); err != nil {
		t.Fatal(err)
	}
	return func() {
		if had {
			os.Setenv(key, old)
		} else {
			os.Unsetenv(key)
		}
	}
}

func cutWords(words []string, begin ...string) ([]string, bool) {
	if len(words) < len(begin) || !slices.Equal(words[:len(begin)], begin) {
		return nil, false
	}
	return words[len(begin):], true
}

// shellWords splits a line as a shell does, with ' and " quotes but nothing
// else that a shell knows.
func shellWords(t *testing.T, line string) []string {
	var words []string
	word, in, quote := "", false, rune(0)
	for _, r := range line {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote != 0:
			word += string(r)
		case r == '\'' || r == '"':
			quote, in = r, true
		case r == ' ':
			if in {
				words = append(words, word)
			}
			word, in = "", false
		default:
			word, in = word+string(r), true
		}
	}
	if quote != 0 {
		t.Fatalf("%s: the quote is not closed", line)
	}
	if in {
		words = append(words, word)
	}
	return words
}

// clean takes the variables that change how things are printed away.
func clean(t *testing.T) {
	for _, key := range []string{"COLUMNS", "NO_COLOR"} {
		restore := setenv(t, key, "")
		t.Cleanup(restore)
	}
}

// TestConsole plays testdata/*.txt in a folder that holds the demonstration
// as `demo` and the files of testdata/files.
func TestConsole(t *testing.T) {
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	scripts, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(scripts) == 0 {
		t.Fatalf("no console files: %v", err)
	}
	for _, script := range scripts {
		t.Run(strings.TrimSuffix(filepath.Base(script), ".txt"), func(t *testing.T) {
			clean(t)
			script := filepath.Join(here, script)
			text, err := os.ReadFile(script)
			if err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			if err := os.CopyFS(dir, os.DirFS("testdata/files")); err != nil {
				t.Fatal(err)
			}
			if err := os.CopyFS(filepath.Join(dir, "demo"), os.DirFS("../../testdata/demo")); err != nil {
				t.Fatal(err)
			}
			t.Chdir(dir)
			got := (&console{t: t, marked: true}).play(string(text))
			if *update {
				if err := os.WriteFile(script, []byte(got), 0o666); err != nil {
					t.Fatal(err)
				}
				return
			}
			if diff := cmp.Diff(strings.Split(string(text), "\n"), strings.Split(got, "\n")); diff != "" {
				t.Errorf("%s (-want +got; -update writes it):\n%s", filepath.Base(script), diff)
			}
		})
	}
}
