package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/card"
)

func cardsCommand() *cobra.Command {
	var pdf string
	var release releaseFlags
	cmd := &cobra.Command{
		Use:   "cards DIR --pdf FILE",
		Short: "Draw the build cards of a whole book",
		Long: `Draws a PDF of A5 pages: the contents, then a card a serving. With the release's
number, effective time and digest each card carries a code with which a station
can tell whether the card is still in force; without them it is marked a draft.
Exit 1 when a serving cannot be drawn, 2 when the book cannot be read or the
file cannot be written.`,
		Example: `  samecup cards testdata/harbour-finch --pdf cards.pdf
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
			book, err := loadCardBook(args[0])
			if err != nil {
				return err
			}
			// Drawn before the file is opened: a book that cannot be drawn leaves
			// the last good file as it was.
			pages, err := card.Book(book, opts)
			if err != nil {
				return exitError{code: 1, msg: err.Error()}
			}
			if err := writeFile(pdf, func(w io.Writer) error {
				return card.PDF(w, card.BookTitle(book), opts.Effective, pages...)
			}); err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %d pages\n", pdf, len(pages))
			return err
		},
	}
	cmd.Flags().StringVar(&pdf, "pdf", "", "the PDF file to write")
	release.add(cmd)
	return cmd
}
