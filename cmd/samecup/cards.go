//go:build !station

package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/card"
)

func cardsCommand() *cobra.Command {
	var pdf, drinkID, size, paper string
	var release releaseFlags
	cmd := &cobra.Command{
		Use:   "cards DIR --pdf FILE",
		Short: "Draw the build cards of a book, for training and the counter",
		Long: `Draws a PDF: the contents where there are more than a few cards, then a card a
serving, all or those of --drink and --size. Cards are A5; --paper a4 puts two
beside each other on a sheet, to be cut. Values are metric. With the release's
number, effective time and digest each card carries a code with which a station
can tell whether the card is still in force; without them it is marked a draft.
The console prints the cards of the book in force at a site. Exit 1 when a serving
cannot be drawn, 2 when the book cannot be read or has no such drink or size, or
the file cannot be written.`,
		Example: `  samecup cards testdata/harbour-finch --pdf cards.pdf
  samecup cards testdata/harbour-finch --pdf latte.pdf --drink latte --paper a4
  samecup cards testdata/harbour-finch --pdf cards.pdf --release 7 --effective 2026-05-04T03:00:00Z --digest 9f86d081884c7d65`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if pdf == "" {
				return exitError{code: 2, msg: "--pdf is missing: name the file to write, such as --pdf cards.pdf"}
			}
			opts, err := release.options()
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			sheet, err := card.ParseSheet(paper)
			if err != nil {
				return exitError{code: 2, msg: "--paper: " + err.Error()}
			}
			book, err := loadCardBook(args[0])
			if err != nil {
				return err
			}
			if book, err = card.Select(book, drinkID, size); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			// Drawn before the file is opened: a book that cannot be drawn leaves
			// the last good file as it was.
			pages, err := card.Book(book, opts)
			if err != nil {
				return exitError{code: 1, msg: err.Error()}
			}
			if err := writeFile(pdf, func(w io.Writer) error {
				return card.PDF(w, card.BookTitle(book), opts.Effective, sheet, pages...)
			}); err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %d pages\n", pdf, len(pages))
			return err
		},
	}
	cmd.Flags().StringVar(&pdf, "pdf", "", "the PDF file to write")
	cmd.Flags().StringVar(&drinkID, "drink", "", "the cards of this drink alone, by its id")
	cmd.Flags().StringVar(&size, "size", "", "the cards of this size alone")
	cmd.Flags().StringVar(&paper, "paper", "a5", "a5: a card a sheet; a4: two beside each other")
	release.add(cmd)
	return cmd
}
