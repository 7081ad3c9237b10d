package main

import (
	"io"
	"os"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"halfsplit/netlist/document"
)

// mostPassphrase bounds a passphrase file in bytes.
const mostPassphrase = 4096

// passphraseFlag names the file with the teacher's passphrase. A passphrase on the command
// line would stay in the shell's history.
func passphraseFlag(cmd *cobra.Command, into *string) {
	cmd.Flags().StringVar(into, "passphrase-file", "", "`FILE` with the teacher's passphrase")
}

func readPassphrase(file string) (string, error) {
	if file == "" {
		return "", instead("no passphrase is given", "add --passphrase-file and a file with a sentence that students do not guess")
	}
	f, err := os.Open(file)
	if err != nil {
		return "", instead(quoted(file)+" cannot be read: "+document.Reason(err), "check the path")
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostPassphrase+1))
	switch {
	case err != nil:
		return "", instead(quoted(file)+" cannot be read: "+document.Reason(err), "check the path")
	case len(text) > mostPassphrase || !utf8.Valid(text):
		return "", instead(quoted(file)+" does not hold a passphrase", "write one sentence of plain text into it")
	}
	return string(text), nil
}
