//go:build !station

package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/drink"
)

func fitCommand() *cobra.Command {
	var milk, vessel string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "fit DIR DRINK SIZE --vessel V",
		Short: "Propose a serving for another vessel",
		Long: `Works out the serving for another vessel of the book. It holds strength with
whole shots, the depth of the froth and the gap to the rim, solves milk or water
and air, and says what cannot hold. It prints the facts of both side by side and
the serving as it would stand in the drink's file; the book is not changed.
Exit 0 with a proposal, 1 without one, 2 when the book cannot be read.`,
		Example: "  samecup fit testdata/harbour-finch latte medium --vessel p350 --milk whole-milk",
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
			p, err := book.Fit(s, vessel)
			if err != nil {
				return exitError{code: 1, msg: err.Error()}
			}
			snippet := book.YAML(&p.New)
			if !asJSON {
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s\nTo paste under \"servings\" of %s.yaml\n\n%s", p, p.New.Drink, snippet)
				return err
			}
			enc := json.NewEncoder(cmd.OutOrStdout())
			enc.SetIndent("", "  ")
			enc.SetEscapeHTML(false)
			return enc.Encode(struct {
				Serving  string      `json:"serving"`
				From     string      `json:"from"`
				To       string      `json:"to"`
				Holds    []string    `json:"holds"`
				Cannot   []string    `json:"cannot"`
				OldFacts drink.Facts `json:"old_facts"`
				NewFacts drink.Facts `json:"new_facts"`
				YAML     string      `json:"yaml"`
			}{p.Old.ID, p.Old.Vessel, p.New.Vessel, p.Holds, p.Cannot, p.OldFacts, p.NewFacts, snippet})
		},
	}
	cmd.Flags().StringVar(&vessel, "vessel", "", "the id of the vessel to fit the serving to")
	cmd.Flags().StringVar(&milk, "milk", "", "an ingredient id, where the drink comes with several milks")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	_ = cmd.MarkFlagRequired("vessel")
	return cmd
}
