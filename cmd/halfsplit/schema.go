package main

import (
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/netlist/document"
)

func (a *app) schemaCommand() *cobra.Command {
	var names []string
	for _, k := range fileKinds {
		names = append(names, k.name)
	}
	return &cobra.Command{
		Use:   "schema KIND",
		Short: "print the JSON Schema of a kind of file, for editors",
		Long: `schema prints the JSON Schema (draft 2020-12) of a kind of file, so that an
editor completes and checks it. The kinds are ` + strings.Join(names, ", ") + ".",
		Example:           "  halfsplit schema board > board.schema.json",
		Args:              arguments("KIND"),
		ValidArgsFunction: firstOf(completeWords(names...)),
		RunE: func(_ *cobra.Command, args []string) error {
			for _, k := range fileKinds {
				if k.name == args[0] {
					_, err := a.out.Write(k.shape().Schema(k.title))
					return err
				}
			}
			return instead("there is no kind of file "+quoted(args[0]),
				document.Suggest(args[0], names, "the kinds are "+strings.Join(names, ", ")))
		},
	}
}
