//go:build !station

package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/buildlog"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

func judgeCommand() *cobra.Command {
	var dir, at string
	cmd := &cobra.Command{
		Use:   "judge --book DIR FILE.jsonl",
		Short: "Judge logged builds against a book, with no service at all",
		Long: `Judge reads builds as JSON Lines (docs/build-log.md; - for standard input) and
prints one JSON object a line: the grade and every finding, or what is wrong
with the line. It exits with 0 when all builds are in spec, 1 when there are
findings, 2 when the book, the file or a line cannot be read.`,
		Example: `  samecup judge --book testdata/harbour-finch-counter testdata/builds/good.jsonl
  samecup judge --book testdata/harbour-finch-counter --now 2026-11-02T09:00:00Z - < testdata/builds/faults.jsonl`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			now := time.Now()
			if at != "" {
				var err error
				if now, err = time.Parse(time.RFC3339, at); err != nil {
					return exitError{code: 2, msg: fmt.Sprintf("--now: %q is not allowed; give a time as RFC 3339 has it, 2026-11-02T09:00:00Z", at)}
				}
			}
			book, problems := drink.LoadDir(dir)
			if problems.HasErrors() {
				for _, p := range problems.At(drink.Error) {
					fmt.Fprintln(cmd.ErrOrStderr(), p)
				}
				return exitError{code: 2, msg: fmt.Sprintf("the book in %q cannot be used; mend the errors above", dir)}
			}
			set, err := verdict.CompileBook(book.Servings())
			if err != nil {
				return exitError{code: 2, msg: fmt.Sprintf("the book in %q: %v", dir, err)}
			}
			in := cmd.InOrStdin()
			if args[0] != "-" {
				file, err := os.Open(args[0])
				if err != nil {
					return exitError{code: 2, msg: fmt.Sprintf("opening the build log: %v", err)}
				}
				defer file.Close()
				in = file
			}
			return judgeLog(in, set, now, cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&dir, "book", "", "folder of the book to judge by (required)")
	cmd.Flags().StringVar(&at, "now", "", "time at which the builds count as logged, RFC 3339 (default the present)")
	if err := cmd.MarkFlagRequired("book"); err != nil {
		panic(err)
	}
	return cmd
}

// judgeLog turns the tally into the exit code.
func judgeLog(in io.Reader, set *verdict.Set, now time.Time, w io.Writer) error {
	out := bufio.NewWriter(w)
	tally, err := buildlog.Judge(in, set, now, out)
	if flushed := out.Flush(); err == nil {
		err = flushed
	}
	switch {
	case err != nil:
		return exitError{code: 2, msg: err.Error()}
	case tally.BadLines > 0:
		return exitError{code: 2, msg: fmt.Sprintf("%d of the lines are no builds", tally.BadLines)}
	case tally.Faulty > 0:
		return exitError{code: 1}
	}
	return nil
}
