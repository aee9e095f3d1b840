// Command samecup holds every role of the chain as a subcommand: the recipe
// authority, the station, the judge of logged builds, and the tools around
// them. The files here wire flags to packages and hold no logic of their own.
//
// Built with the tag "station" it is the agent alone, for the small machine
// beside the espresso machine (docs/durability.md): files of other commands say
// so in their first line.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

// exitError carries an exit code through cobra; an empty message prints nothing.
type exitError struct {
	code int
	msg  string
}

func (e exitError) Error() string { return e.msg }

func main() { os.Exit(run(os.Args[1:])) }

// run executes one command line and returns its exit code: 0 done, 1 findings
// or failure, 2 unusable input.
func run(args []string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	root := rootCommand()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	if msg := err.Error(); msg != "" {
		fmt.Fprintln(root.ErrOrStderr(), "samecup:", msg)
	}
	if e, ok := errors.AsType[exitError](err); ok {
		return e.code
	}
	return 1
}

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:           "samecup",
		Short:         "The same drink at every counter of a coffee chain",
		Long:          about,
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.AddCommand(stationCommands()...)
	root.AddCommand(otherCommands()...)
	return root
}
