//go:build !station

package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportplan"
)

func planCommand() *cobra.Command {
	var q reportplan.Question
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "plan (--p0 P --p1 P | --checks N --fault P | --aql P --ltpd P | --pass P --margin P | --lot N | --outcomes LIST | --outcomes-file FILE)",
		Short: "How many checks, and what they can show",
		Long: `Answers one question about a number of checks; shares are written 0.01 for 1 %.
  --p0 --p1        sequential test of good against bad, ended at --max checks
  --checks --fault chance that so many checks meet the fault
  --aql --ltpd     acceptance plan that holds both chances (--model, --lot)
  --pass --margin  trial to show that a method is no worse (--power, --cluster, --rho)
  --lot            sample size of the published tables (--level), and with
                   --table-aql (in per cent, as there) how many bad to accept
                   (--severity)
  --outcomes       severity for the next lot, from the lots so far: a for
                   accepted, r for rejected, such as raaar
  --outcomes-file  the same from a CSV file ("-" for stdin) with the columns
                   size (drinks in the lot) and bad (of those checked), judged
                   by the plans of --table-aql and --level; the switching score
                   then says when reduced inspection may begin. Further columns:
                   lot (its name), and event, by and note for what a person
                   states in a row of its own: reduce (begin reduced
                   inspection), irregular (making became uneven), improved
                   (after five rejections on tightened inspection stopped it:
                   what was put right, so that checking resumes on tightened).
                   reduce and improved need by; improved needs note
Exit 0 with an answer, 2 when the question cannot be answered.`,
		Example: `  samecup plan --checks 5 --fault 0.1
  samecup plan --p0 0.01 --p1 0.10 --alpha 0.05 --beta 0.10 --max 200
  samecup plan --aql 0.01 --ltpd 0.06
  samecup plan --pass 0.85 --margin 0.05 --power 0.8 --cluster 30 --rho 0.03
  samecup plan --lot 400 --table-aql 1.0
  samecup plan --outcomes raaar
  samecup plan --outcomes-file testdata/stat/plan-lots.csv --table-aql 1.0`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			questions := []struct {
				a, b   string
				answer func(reportplan.Question) (*reportplan.Report, error)
			}{
				{"p0", "p1", reportplan.Sequential},
				{"checks", "fault", reportplan.Power},
				{"aql", "ltpd", reportplan.Accept},
				{"pass", "margin", reportplan.Trial},
				{"lot", "lot", reportplan.Letter},
				{"outcomes", "outcomes", reportplan.Switch},
				{"outcomes-file", "outcomes-file", func(q reportplan.Question) (*reportplan.Report, error) {
					return reportplan.Lots(q, cmd.InOrStdin())
				}},
			}
			for _, it := range questions {
				a, b := cmd.Flags().Changed(it.a), cmd.Flags().Changed(it.b)
				if a != b {
					return cannotUse("plan", fmt.Errorf("--%s and --%s go together; give both", it.a, it.b))
				}
				if !a {
					continue
				}
				r, err := it.answer(q)
				if err != nil {
					return cannotUse("plan", err)
				}
				return printReport(cmd, r, asJSON)
			}
			return cannotUse("plan", errors.New("nothing asked; see samecup plan --help for the questions"))
		},
	}
	f := cmd.Flags()
	f.Float64Var(&q.P0, "p0", 0, "good share of bad drinks")
	f.Float64Var(&q.P1, "p1", 0, "bad share of bad drinks")
	f.Float64Var(&q.Alpha, "alpha", 0.05, "chance to reject what is good")
	f.Float64Var(&q.Beta, "beta", 0.10, "chance to accept what is bad")
	f.IntVar(&q.Max, "max", 500, "checks after which a sequential test ends; 0 is no end")
	f.IntVar(&q.Checks, "checks", 0, "number of checks")
	f.Float64Var(&q.Fault, "fault", 0, "share of drinks with the fault")
	f.Float64Var(&q.AQL, "aql", 0, "share of bad drinks to be accepted")
	f.Float64Var(&q.LTPD, "ltpd", 0, "share of bad drinks to be rejected")
	f.StringVar(&q.Model, "model", "binomial", "binomial, hypergeometric (with --lot) or poisson")
	f.IntVar(&q.Lot, "lot", 0, "drinks in the lot")
	f.IntVar(&q.Level, "level", 2, "general inspection level, 1 to 3")
	f.Float64Var(&q.TableAQL, "table-aql", 0, "AQL of the published tables, bad drinks in a hundred, such as 1.0")
	f.StringVar(&q.Severity, "severity", "normal", "with --lot and --table-aql: normal, tightened or reduced")
	f.StringVar(&q.Outcomes, "outcomes", "", "lots so far, oldest first: a accepted, r rejected, b between the two numbers on reduced; s starts reduced, u is uneven making, i is improved and resumes")
	f.StringVar(&q.OutcomesFile, "outcomes-file", "", "CSV file of the lots so far, oldest first, with the columns size and bad; with --table-aql")
	f.Float64Var(&q.Pass, "pass", 0, "share of drinks that pass")
	f.Float64Var(&q.Margin, "margin", 0, "how much worse is still no worse, as a share")
	f.Float64Var(&q.Power, "power", 0.8, "chance to show it")
	f.IntVar(&q.Cluster, "cluster", 1, "checks that are alike, such as those of a site and day")
	f.Float64Var(&q.Rho, "rho", 0, "how alike they are, 0 to 1")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return statTool(cmd)
}
