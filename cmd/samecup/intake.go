//go:build !station

package main

import (
	"fmt"

	"github.com/spf13/cobra"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

func intakeCommand() *cobra.Command {
	var (
		from string
		json bool
	)
	cmd := &cobra.Command{
		Use:   "intake --from ADDR",
		Short: "Show what was counted of each station's log, and whether it is whole",
		Long: `Intake shows, station by station, how many builds and deviations were counted,
how many verdicts the centre disputes, how many builds wait for the release
that they name, and up to where the log is whole: every sequence number there,
every record linked to the one before it by its hash.`,
		Example: `  samecup intake --from 127.0.0.1:7100
  samecup intake --from 127.0.0.1:7100 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cc, err := dialAs(from, "")
			if err != nil {
				return err
			}
			defer cc.Close()
			res, err := pb.NewQualityServiceClient(cc).GetIntake(cmd.Context(), &pb.GetIntakeRequest{})
			if err != nil {
				return fmt.Errorf("read the intake at %s: %w", from, err)
			}
			if json {
				return report.WriteJSON(cmd.OutOrStdout(), res)
			}
			return report.WriteIntake(cmd.OutOrStdout(), res)
		},
	}
	cmd.Flags().StringVar(&from, "from", "127.0.0.1:7100", "address of the quality service")
	cmd.Flags().BoolVar(&json, "json", false, "print one line of JSON")
	return cmd
}
