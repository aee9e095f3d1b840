//go:build !station

package main

import (
	"io"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportchart"
	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/services/console/chart"
)

func chartCommand() *cobra.Command {
	var c reportchart.Config
	var asJSON bool
	var svg, png, csv string
	var centre, sigma, low, high float64
	cmd := &cobra.Command{
		Use:   "chart KIND FILE --value COL",
		Short: "Draw a control chart of a CSV file and say what it shows",
		Long: `Draw a control chart of a CSV file (header row, one row a reading in time
order, "-" for standard input) and say in words its method, assumptions, n,
limits and signals. Without --centre the limits come from the data (phase 1).
Control limits come from the process; --tolerance-low and --tolerance-high are
what the spec allows, are only drawn, and are never used as limits.

Kinds and the columns they need:
` + reportchart.Kinds + `

Run rules (--rules): 1 beyond a limit, 2 two of three beyond 2 sigma, 3 four of
five beyond 1 sigma, 4 eight in a row on one side. Each further rule finds more
and rings falsely more often; the run length of the chosen set is printed. For
ewma and cusum --false-alarm-every chooses the limits from the rate you can bear.`,
		Example: `  samecup chart i testdata/stat/chart-yield.csv --value yield_g --unit g --label time --restart event --rules 1,2,3,4
  samecup chart xbar-s testdata/stat/chart-milk.csv --value milk_c --group shift --unit C --svg milk.svg
  samecup chart p testdata/stat/chart-remakes.csv --value remade --n drinks --json
  samecup chart g testdata/stat/chart-refusals.csv --value drinks_between
  samecup chart ewma testdata/stat/chart-yield.csv --value yield_g --lambda 0.1 --false-alarm-every 500
  samecup chart i - --value yield_g --centre 36 --sigma 0.45 < testdata/stat/chart-yield.csv`,
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Kind = args[0]
			for name, set := range map[string]func(){
				"centre":         func() { c.Centre = &centre },
				"sigma":          func() { c.Sigma = &sigma },
				"tolerance-low":  func() { c.ToleranceLow = &low },
				"tolerance-high": func() { c.ToleranceUp = &high },
			} {
				if cmd.Flags().Changed(name) {
					set()
				}
			}
			columns, err := c.Columns()
			if err != nil {
				return cannotUse("chart", err)
			}
			t, err := table.Open(args[1], cmd.InOrStdin(), columns...)
			if err != nil {
				return cannotUse("chart", err)
			}
			report, err := reportchart.Make(t, c)
			if err != nil {
				return cannotUse("chart", err)
			}
			picture := chart.Control("chart", report.Charts, nil)
			if c.Centre != nil {
				picture.Limits = "limits set beforehand"
			}
			for file, write := range map[string]func(io.Writer) error{svg: picture.SVG, png: picture.PNG, csv: picture.Table().CSV} {
				if file == "" {
					continue
				}
				if err := writeFile(file, write); err != nil {
					return err
				}
			}
			if asJSON {
				return report.JSON(cmd.OutOrStdout())
			}
			return report.Text(cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.Value, "value", "", "column to chart")
	f.StringVar(&c.Group, "group", "", "column naming the sample of a reading (xbar-r, xbar-s)")
	f.StringVar(&c.N, "n", "", "column with drinks or exposure (p, u)")
	f.StringVar(&c.Restart, "restart", "", "column that says why the chart starts anew at a row, such as \"new lot\"; empty elsewhere")
	f.StringVar(&c.Label, "label", "", "column to label the points with")
	f.StringVar(&c.Unit, "unit", "", "unit of the values, for the axis")
	f.StringVar(&c.Rules, "rules", "1", "run rules, such as 1,2,3,4")
	f.StringVar(&c.Limits, "limits", "auto", "limits of p, u, c: auto, normal, exact, overdispersed")
	f.BoolVar(&c.SetAside, "set-aside", false, "phase 1: leave points beyond a limit out of the limits, and say so")
	f.Float64Var(&centre, "centre", 0, "phase 2: the given centre, rate, or mean between events")
	f.Float64Var(&sigma, "sigma", 0, "phase 2: the given standard deviation of one reading")
	f.Float64Var(&low, "tolerance-low", 0, "lowest value the spec allows, drawn only (kind i)")
	f.Float64Var(&high, "tolerance-high", 0, "highest value the spec allows, drawn only (kind i)")
	f.Float64Var(&c.Lambda, "lambda", 0.2, "ewma: weight of the newest reading")
	f.Float64Var(&c.L, "l", 2.962, "ewma: half width of the limits in sigmas")
	f.Float64Var(&c.K, "k", 0.5, "cusum: half the shift worth finding, in sigmas")
	f.Float64Var(&c.H, "h", 5, "cusum: decision interval in sigmas")
	f.Float64Var(&c.Head, "head-start", 0, "cusum: where the sums begin, as a share of h")
	f.Float64Var(&c.ARL, "false-alarm-every", 0, "ewma, cusum: choose --l or --h so that a false alarm comes once in this many points")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	f.StringVar(&svg, "svg", "", "also write the picture to this file")
	f.StringVar(&png, "png", "", "also write the picture to this file, as pixels")
	f.StringVar(&csv, "csv", "", "also write the points to this file, as a table")
	return statTool(cmd, "value")
}
