//go:build !station

package main

import (
	"bufio"
	"time"

	"github.com/spf13/cobra"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

func deviationsCommand() *cobra.Command {
	var (
		from         string
		filter       report.Filter
		follow, json bool
	)
	cmd := &cobra.Command{
		Use:   "deviations --from ADDR",
		Short: "List the builds that were not to spec, and follow new ones",
		Long: `Deviations lists what quality counted as not to spec, in the order in which it
was counted, a line for each finding: when the build began (in this computer's
time zone), where, what, and what is wrong. With --follow it goes on with each
as it is counted, and connects again by itself, until it is interrupted.`,
		Example: `  samecup deviations --from 127.0.0.1:7100
  samecup deviations --from 127.0.0.1:7100 --follow --site tannery-row --drink latte
  samecup deviations --from 127.0.0.1:7100 --json | jq .verdict.findings`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cc, err := dialAs(from, "")
			if err != nil {
				return err
			}
			defer cc.Close()
			out := bufio.NewWriter(cmd.OutOrStdout())
			defer out.Flush()
			write := func(d *pb.Deviation) error {
				if json {
					err = report.WriteJSON(out, d)
				} else {
					err = report.WriteDeviation(out, d, time.Now())
				}
				if err == nil && follow {
					err = out.Flush()
				}
				return err
			}
			client := pb.NewQualityServiceClient(cc)
			if follow {
				return report.Follow(cmd.Context(), client, filter, write)
			}
			if err := report.List(cmd.Context(), client, filter, write); err != nil {
				return err
			}
			return out.Flush()
		},
	}
	cmd.Flags().StringVar(&from, "from", "127.0.0.1:7100", "address of the quality service")
	cmd.Flags().BoolVar(&follow, "follow", false, "go on with each deviation as it is counted")
	cmd.Flags().StringVar(&filter.Site, "site", "", "only this site, such as tannery-row")
	cmd.Flags().StringVar(&filter.Drink, "drink", "", "only this drink, such as latte")
	cmd.Flags().BoolVar(&json, "json", false, "print each deviation as one line of JSON")
	return cmd
}
