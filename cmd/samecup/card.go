//go:build !station

package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/card"
	"samecup.example/samecup/internal/drink"
)

func cardCommand() *cobra.Command {
	var milk, svg, png, pdf string
	var dpi int
	var release releaseFlags
	cmd := &cobra.Command{
		Use:   "card DIR DRINK SIZE",
		Short: "Print or draw the build card of one serving",
		Long: `Prints all that a barista needs to build the drink. With --svg, --png or --pdf
it is drawn instead, A5, with the vessel to scale. The milk may be left out
where the drink comes with one. Exit 1 when there is no such serving, 2 when
the book cannot be read or a file cannot be written.`,
		Example: `  samecup card testdata/harbour-finch latte medium --milk oat-drink
  samecup card testdata/harbour-finch latte medium --svg latte.svg --pdf latte.pdf`,
		Args: cobra.ExactArgs(3),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := loadCardBook(args[0])
			if err != nil {
				return err
			}
			s, err := book.FindServing(args[1], args[2], milk)
			if err != nil {
				return exitError{code: 1, msg: err.Error()}
			}
			if svg == "" && png == "" && pdf == "" {
				_, err = fmt.Fprint(cmd.OutOrStdout(), drink.Card(book, s))
				return err
			}
			opts, err := release.options()
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			page, err := card.Draw(book, s, opts)
			if err != nil {
				return exitError{code: 1, msg: err.Error()}
			}
			for _, out := range []struct {
				path  string
				write func(io.Writer) error
			}{
				{svg, page.SVG},
				{png, func(w io.Writer) error { return page.PNG(w, dpi) }},
				{pdf, func(w io.Writer) error { return card.PDF(w, page.Title, opts.Effective, card.A5, page) }},
			} {
				if out.path == "" {
					continue
				}
				if err := writeFile(out.path, out.write); err != nil {
					return err
				}
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&milk, "milk", "", "an ingredient id, where the drink comes with several milks")
	cmd.Flags().StringVar(&svg, "svg", "", "draw the card to this SVG file")
	cmd.Flags().StringVar(&png, "png", "", "draw the card to this PNG file")
	cmd.Flags().StringVar(&pdf, "pdf", "", "draw the card to this PDF file")
	cmd.Flags().IntVar(&dpi, "dpi", card.DefaultDPI, "pixels an inch of the PNG, 36 to 1200")
	release.add(cmd)
	return cmd
}

// loadCardBook reads a book for a card; the error carries its exit code.
func loadCardBook(dir string) (*drink.Book, error) {
	book, problems := drink.LoadDir(dir)
	if err := problems.Err(); err != nil {
		code := 1
		if problems.Unreadable() {
			code = 2
		}
		return nil, exitError{code: code, msg: err.Error()}
	}
	return book, nil
}

// releaseFlags say which release a drawn card belongs to.
type releaseFlags struct {
	number            uint64
	effective, digest string
}

func (r *releaseFlags) add(cmd *cobra.Command) {
	cmd.Flags().Uint64Var(&r.number, "release", 0, "the release's number; 0 draws a draft")
	cmd.Flags().StringVar(&r.effective, "effective", "", "when the release comes into force, such as 2026-05-04T03:00:00Z")
	cmd.Flags().StringVar(&r.digest, "digest", "", "the release's digest in hex; gives the card its code")
}

func (r *releaseFlags) options() (card.Options, error) {
	o := card.Options{Release: r.number}
	var err error
	if r.effective != "" {
		if o.Effective, err = time.Parse(time.RFC3339, r.effective); err != nil {
			return o, fmt.Errorf("--effective %q: must be a time such as 2026-05-04T03:00:00Z; correct it", r.effective)
		}
	}
	if r.digest != "" {
		if o.Digest, err = card.ParseDigest(r.digest); err != nil {
			return o, fmt.Errorf("--digest: %w", err)
		}
	}
	return o, o.Check()
}

// writeFile writes a file whole or not at all as far as the disk lets it: what
// is half written is removed.
func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return exitError{code: 2, msg: fmt.Sprintf("cannot write %s: %v; choose a folder that exists and that you may write to", path, err)}
	}
	err = write(f)
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err != nil {
		// The first error is what the user has to know.
		_ = os.Remove(path)
		return exitError{code: 2, msg: fmt.Sprintf("cannot write %s: %v", path, err)}
	}
	return nil
}
