//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/instrument/instrumentsim"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/station/feed/feedsim"
)

func simInstrumentsCommand() *cobra.Command {
	var stationAt, mqttAt, fault, faulty string
	cfg := feedsim.Config{}
	cmd := &cobra.Command{
		Use:   "instruments --station ADDRESS | --mqtt ADDRESS",
		Short: "Play a scale, a shot timer and a probe at a station",
		Long: `Plays scale-1, timer-1 and thermometer-1 at a station in real time, 90 s a
drink: the dose is weighed in the first 12 s, the shot runs from 20 s, the milk
is steamed from 40 s. Begin a drink on the page within the first 12 s, and see
its values come. Over gRPC it tells what the station answers.

--fault gives one of the instruments a fault, 25 s after the start.`,
		Example: `  samecup sim instruments --station 127.0.0.1:7201
  samecup sim instruments --mqtt 127.0.0.1:1883 --drinks 5 --fault stall --faulty scale`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (stationAt == "") == (mqttAt == "") {
				return exitError{code: 2, msg: "sim instruments: name the station with --station or its MQTT with --mqtt, one of them"}
			}
			if cfg.Drinks < 1 {
				return exitError{code: 2, msg: fmt.Sprintf("sim instruments: --drinks is %d, allowed: 1 and more", cfg.Drinks)}
			}
			var err error
			if cfg.Faulty, err = instrument.ParseKind(faulty); err != nil {
				return exitError{code: 2, msg: "sim instruments: --faulty: " + err.Error()}
			}
			if fault != "" && !slices.Contains(instrumentsim.Faults, instrumentsim.Fault(fault)) {
				return exitError{code: 2, msg: fmt.Sprintf("sim instruments: --fault is %q, allowed: %s", fault, faultNames())}
			}
			cfg.Fault, cfg.Out = instrumentsim.Fault(fault), cmd.OutOrStdout()
			link := feedsim.MQTT(mqttAt)
			if stationAt != "" {
				cc, err := rpc.Dial(stationAt)
				if err != nil {
					return err
				}
				defer cc.Close()
				link = feedsim.GRPC(cc, cmd.OutOrStdout())
			}
			if err := feedsim.Run(cmd.Context(), cfg, link); err != nil && !errors.Is(err, context.Canceled) {
				return fmt.Errorf("sim instruments: %w", err)
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&stationAt, "station", "", "`address` of a station's gRPC")
	f.StringVar(&mqttAt, "mqtt", "", "`address` of a station's MQTT")
	f.IntVar(&cfg.Drinks, "drinks", 1, "drinks to make")
	f.Uint64Var(&cfg.Seed, "seed", 1, "seed of the drinks")
	f.StringVar(&fault, "fault", "", "a fault: "+faultNames())
	f.StringVar(&faulty, "faulty", "scale", "which has it: scale, timer or thermometer")
	return cmd
}

func faultNames() string {
	names := make([]string, len(instrumentsim.Faults))
	for i, f := range instrumentsim.Faults {
		names[i] = string(f)
	}
	return strings.Join(names, ", ")
}
