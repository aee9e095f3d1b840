//go:build !station

package main

import "github.com/spf13/cobra"

// about is the short line again, in a build that holds everything.
const about = ""

// otherCommands are all but those of commands_station.go.
func otherCommands() []*cobra.Command {
	return []*cobra.Command{
		authorityCommand(),
		qualityCommand(),
		rollupCommand(),
		busCommand(),
		publishCommand(),
		releasesCommand(),
		siteCommand(),
		stationCodeCommand(),
		stationsCommand(),
		consoleCommand(),
		demoCommand(),
		benchCommand(),
		judgeCommand(),
		keysCommand(),
		checkCommand(),
		diffCommand(),
		fitCommand(),
		cardCommand(),
		cardsCommand(),
		deviationsCommand(),
		intakeCommand(),
		caseCommand(),
		varianceCommand(),
		gaugeCommand(),
		screenCommand(),
		capabilityCommand(),
		compareCommand(),
		planCommand(),
		reportCommand(),
		agreeCommand(),
		auditCommand(),
		chartCommand(),
		draftCommand(),
		overlayCommand(),
		resolveCommand(),
		rolloutCommand(),
		stopCommand(),
		personCommand(),
		trainingCommand(),
		recordCommand(),
		simCommand(),
	}
}
