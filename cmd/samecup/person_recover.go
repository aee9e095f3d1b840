//go:build !station

package main

import (
	"errors"
	"fmt"
	"os/user"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/services/authority"
)

func personRecoverCommand() *cobra.Command {
	var data, database string
	var save tokenFile
	cmd := &cobra.Command{
		Use:   "recover PERSON --data DIR",
		Short: "Make a person's new token on the authority's own machine, where the old one was lost",
		Long: `Makes a new token for a person whose token was lost and whom nobody can give one,
such as the only administrator. It asks no server: stop the authority, then run this
on its machine, as a user who may write to --data. The record says that it was done.
Every earlier token of the person ends.

Where another administrator has a token, samecup person change --renew-token does
the same while the authority runs.`,
		Example: `  samecup person recover ada --data /var/lib/samecup --save ada.token`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := save.create(); err != nil {
				return err
			}
			defer save.discard()
			osUser := ""
			if u, err := user.Current(); err == nil {
				osUser = u.Username
			}
			person := strings.TrimPrefix(args[0], "people/")
			token, err := authority.RecoverPerson(cmd.Context(), filepath.Join(data, "authority"), database, person, osUser, time.Now(), zap.NewNop())
			if err != nil {
				return recoverFailed(err)
			}
			if err := save.take(token); err != nil {
				return err
			}
			fmt.Fprint(cmd.ErrOrStderr(), printable(fmt.Sprintf("%s has a new token, and every earlier one ended. The record says so. Start the authority again.\n", person)+tokenWords(token, save.path, true)))
			if save.path == "" {
				fmt.Fprintln(cmd.OutOrStdout(), token)
			}
			return nil
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	save.flag(cmd)
	return cmd
}

func recoverFailed(err error) error {
	if errors.Is(err, authority.ErrInUse) {
		return exitError{code: 1, msg: err.Error() + ": the authority is running; stop it, run this again, then start it"}
	}
	if r, ok := errors.AsType[*govern.Refused](err); ok {
		return exitError{code: 1, msg: r.Text}
	}
	return exitError{code: 2, msg: err.Error()}
}
