//go:build !station

package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/release"
)

func keysCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "keys",
		Short: "Make root keys and key lists offline, and bring them to the authority",
		Long: `Makes root keys and the signed lists that say which keys a chain trusts. "root"
and "list" talk to nobody: run them on a machine that is kept offline, and carry
key lists there and back. "rotate" and "add" talk to the authority. docs/keys.md
describes the ceremony.`,
		Example: `  samecup keys root create ada.key --label "Ada, safe in the office"
  samecup keys list show keylist-1`,
	}
	cmd.AddCommand(keysRootCommand(), keysListCommand(), keysAddCommand(), keysRotateCommand())
	return cmd
}

func keysRootCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "root",
		Short:   "Root keys, which sign key lists and nothing else",
		Example: `  samecup keys root create ada.key --label "Ada, safe in the office"`,
	}
	var label string
	create := &cobra.Command{
		Use:   "create FILE",
		Short: "Make a root key: FILE for its holder alone, FILE.pub for everybody",
		Long: `Makes a root key. FILE is the secret: readable by its owner only, to be kept
offline, with a copy elsewhere. FILE.pub may be handed round. Neither is ever
overwritten. Exit 2 when a file cannot be written.`,
		Example: `  samecup keys root create ada.key --label "Ada, safe in the office"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := release.NewKey()
			if err != nil {
				return err
			}
			if err := release.WriteKey(args[0], label, s); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			fmt.Fprintf(cmd.OutOrStdout(), "Root key %s is in %s: keep it offline, and a copy in another place.\nIts public half is in %s.pub.\n", release.KeyID(s.Public()), args[0], args[0])
			return nil
		},
	}
	create.Flags().StringVar(&label, "label", "", "one line for people: whose key, and where it is kept")
	cmd.AddCommand(create)
	return cmd
}
