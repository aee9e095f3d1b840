//go:build station

package main

import "github.com/spf13/cobra"

const about = `The same drink at every counter of a coffee chain.

This build holds the commands of a station alone. All others are in the program
built without the tag "station".`

func otherCommands() []*cobra.Command { return nil }
