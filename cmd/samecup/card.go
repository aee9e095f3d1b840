package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/drink"
)

func cardCommand() *cobra.Command {
	var milk string
	cmd := &cobra.Command{
		Use:   "card DIR DRINK SIZE",
		Short: "Print the build card of one serving",
		Long: `Prints all that a barista needs to build the drink. The milk may be left out
where the drink comes with one. Exit 1 when there is no such serving, 2 when
the book cannot be read.`,
		Example: "  samecup card testdata/harbour-finch latte medium --milk oat-drink",
		Args:    cobra.ExactArgs(3),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, problems := drink.LoadDir(args[0])
			if err := problems.Err(); err != nil {
				code := 1
				if problems.Unreadable() {
					code = 2
				}
				return exitError{code: code, msg: err.Error()}
			}
			s, err := book.FindServing(args[1], args[2], milk)
			if err != nil {
				return exitError{code: 1, msg: err.Error()}
			}
			_, err = fmt.Fprint(cmd.OutOrStdout(), drink.Card(book, s))
			return err
		},
	}
	cmd.Flags().StringVar(&milk, "milk", "", "an ingredient id, where the drink comes with several milks")
	return cmd
}
