package main

import "github.com/spf13/cobra"

// stationCommands are for the machine at a counter, and in every build.
func stationCommands() []*cobra.Command {
	return []*cobra.Command{
		stationCommand(),
		logCommand(),
	}
}
