package main

import (
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/netlist/document"
)

var shellNames = []string{"bash", "zsh", "fish", "powershell"}

func (a *app) completionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "completion SHELL",
		Short: "print what a shell needs to complete points, parts and files",
		Long: `completion prints a script that makes a shell complete commands, files, points
and parts. The shells are ` + strings.Join(shellNames, ", ") + ".",
		Example: `  source <(halfsplit completion bash)
  halfsplit completion fish | source`,
		Args:              arguments("SHELL"),
		ValidArgsFunction: firstOf(completeWords(shellNames...)),
		RunE: func(cmd *cobra.Command, args []string) error {
			root := cmd.Root()
			switch args[0] {
			case "bash":
				return root.GenBashCompletionV2(a.out, true)
			case "zsh":
				return root.GenZshCompletion(a.out)
			case "fish":
				return root.GenFishCompletion(a.out, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(a.out)
			}
			return instead("there is no completion for "+quoted(args[0]),
				document.Suggest(args[0], shellNames, "the shells are "+strings.Join(shellNames, ", ")))
		},
	}
}
