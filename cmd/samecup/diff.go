//go:build !station

package main

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/drink"
)

func diffCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "diff DIR_A DIR_B",
		Short: "Explain what changed from one book to another",
		Long: `Names the servings, fields and derived effects that differ between the book in
DIR_A and the one in DIR_B: strength, fill, headspace, handover temperature,
caffeine, energy, cost, allergens, and the vessels newly needed. A change to a
shared thing is one entry with the servings that it reaches. Changes to
allergens and hard limits are marked SAFETY and come first. Which sites have a
vessel in stock is not in a book, so it is not said.
Exit 0 without differences, 1 with differences, 2 when a book cannot be read.`,
		Example: "  samecup diff old-book new-book\n  samecup diff --json testdata/harbour-finch testdata/harbour-finch-counter",
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			var books [2]*drink.Book
			for i, dir := range args {
				book, problems := drink.LoadDir(dir)
				if err := problems.Err(); err != nil {
					return exitError{code: 2, msg: fmt.Sprintf("%s: %v", dir, err)}
				}
				books[i] = book
			}
			changes := drink.Diff(books[0], books[1])
			if err := writeChanges(cmd.OutOrStdout(), changes, asJSON); err != nil {
				return fmt.Errorf("write changes: %w", err)
			}
			if len(changes) > 0 {
				return exitError{code: 1}
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON array")
	return cmd
}

func writeChanges(w io.Writer, changes []drink.Change, asJSON bool) error {
	if asJSON {
		if changes == nil {
			changes = []drink.Change{}
		}
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(changes)
	}
	if len(changes) == 0 {
		_, err := fmt.Fprintln(w, "no difference")
		return err
	}
	return drink.WriteChanges(w, changes)
}
