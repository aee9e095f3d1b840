//go:build !station

package main

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
)

func checkCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "check DIR",
		Short: "Check a book: does every drink fit, and can every number be met?",
		Long: `Reads the book in DIR and prints what was found, with the usual cautions.
Errors block a release; cautions must be acknowledged; notes inform.
Exit 0 without errors, 1 with errors, 2 when the book cannot be read.`,
		Example: "  samecup check testdata/harbour-finch\n  samecup check --json testdata/harbour-finch",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, problems := drink.CheckDir(args[0])
			problems = append(problems, sampling.CheckBook(book)...)
			if err := writeFindings(cmd.OutOrStdout(), book, problems, asJSON); err != nil {
				return fmt.Errorf("write findings: %w", err)
			}
			switch {
			case problems.Unreadable():
				return exitError{code: 2}
			case problems.HasErrors():
				return exitError{code: 1}
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

func writeFindings(w io.Writer, book *drink.Book, problems drink.Problems, asJSON bool) error {
	errorCount, cautions, notes := len(problems.At(drink.Error)), len(problems.At(drink.Caution)), len(problems.At(drink.Note))
	drinks, servings := len(book.Drinks), len(book.Servings())
	if asJSON {
		if problems == nil {
			problems = drink.Problems{}
		}
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(struct {
			Drinks   int            `json:"drinks"`
			Servings int            `json:"servings"`
			Errors   int            `json:"errors"`
			Cautions int            `json:"cautions"`
			Notes    int            `json:"notes"`
			Problems drink.Problems `json:"problems"`
			Usual    []string       `json:"usual_cautions"`
		}{drinks, servings, errorCount, cautions, notes, problems, drink.UsualCautions})
	}
	for _, p := range problems {
		if _, err := fmt.Fprintf(w, "%s: %s\n", p.Level, p); err != nil {
			return err
		}
	}
	if _, err := fmt.Fprintf(w, "\n%d drinks, %d servings: %d errors, %d cautions, %d notes\n\nUsual cautions\n", drinks, servings, errorCount, cautions, notes); err != nil {
		return err
	}
	for _, text := range drink.UsualCautions {
		if _, err := fmt.Fprintf(w, "  ! %s\n", text); err != nil {
			return err
		}
	}
	return nil
}
