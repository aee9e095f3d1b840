//go:build !station

package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func keysListCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "Key lists: which keys a chain trusts, and for what",
		Example: `  samecup keys list show keylist-1`,
	}
	cmd.AddCommand(keysListNewCommand(), keysListNextCommand(), keysListSignCommand(), keysListShowCommand())
	return cmd
}

func keysListNewCommand() *cobra.Command {
	var roots, releases, online []string
	var threshold int
	var expires, out string
	cmd := &cobra.Command{
		Use:   "new --root FILE.pub... --release FILE.pub --online FILE.pub --out FILE",
		Short: "Write key list 1, unsigned",
		Long: `Writes the first key list of a chain, which nobody has signed yet, and reads it
aloud. A key is a .pub file or 64 hexadecimal digits. Each flag may be given more
than once; the same key under --release and --online gets both roles. Exit 2 when
a key cannot be read or the list cannot be.`,
		Example: `  samecup keys list new --root ada.key.pub --root ben.key.pub --threshold 2 \
    --release release.pub --online online.pub --expires 400d --out keylist-1`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			life, err := release.ParseLifetime(expires)
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			plan := release.KeyListPlan{Threshold: threshold, Issued: time.Now().Truncate(time.Second), Lifetime: life}
			if plan.Roots, err = release.FindKeys(nil, roots); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if plan.Keys, err = release.NamedKeys(nil, releases, online); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			l, err := release.FirstKeyList(plan)
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			return writeKeyList(cmd, out, l, nil)
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&roots, "root", nil, "public root key")
	f.IntVar(&threshold, "threshold", 1, "how many root keys must sign the next list")
	f.StringArrayVar(&releases, "release", nil, "public key that may sign releases")
	f.StringArrayVar(&online, "online", nil, "public key that may sign assignments, stop lists and standings")
	f.StringVar(&expires, "expires", "400d", "how long the list is good")
	f.StringVar(&out, "out", "", "file to write; must not exist (required)")
	for _, name := range []string{"root", "release", "online", "out"} {
		_ = cmd.MarkFlagRequired(name)
	}
	return cmd
}

func keysListNextCommand() *cobra.Command {
	var releases, online, retire, revoke, addRoots, dropRoots []string
	var threshold int
	var expires, out string
	cmd := &cobra.Command{
		Use:   "next PREVIOUS --out FILE",
		Short: "Write the list that follows another, unsigned",
		Long: `Writes the next key list: that of PREVIOUS with what the flags change. A key is an
ID or a label of PREVIOUS, a .pub file, or 64 hexadecimal digits. A retired key
signs nothing new, and what stations hold of it stays. A revoked key takes with it
whatever only it signed, and never comes back. A key under --release or --online
has exactly the roles given here. Exit 2 when a key or list cannot be used.`,
		Example: `  samecup keys list next keylist-1 --release winter.pub --out keylist-2
  samecup keys list next keylist-2 --revoke 0f6c2a9d1b3e4f58 --online new.pub --out keylist-3`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			_, prev, err := release.ReadKeyListFile(args[0])
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			edit := release.KeyListEdit{Threshold: threshold, Issued: time.Now().Truncate(time.Second)}
			if edit.Lifetime, err = release.ParseLifetime(expires); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if edit.Add, err = release.NamedKeys(prev, releases, online); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if edit.Retire, err = release.FindKeys(prev, retire); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if edit.Revoke, err = release.FindKeys(prev, revoke); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if edit.AddRoots, err = release.FindKeys(prev, addRoots); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if edit.DropRoots, err = release.FindKeys(prev, dropRoots); err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			l, err := release.NextKeyList(prev, edit)
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			return writeKeyList(cmd, out, l, prev)
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&releases, "release", nil, "key that may sign releases")
	f.StringArrayVar(&online, "online", nil, "key that may sign assignments, stop lists and standings")
	f.StringArrayVar(&retire, "retire", nil, "signing key to take off; what stations hold of it stays")
	f.StringArrayVar(&revoke, "revoke", nil, "signing or root key to revoke for good")
	f.StringArrayVar(&addRoots, "add-root", nil, "public root key to add")
	f.StringArrayVar(&dropRoots, "drop-root", nil, "root key to take off")
	f.IntVar(&threshold, "threshold", 0, "how many root keys must sign the next list (default as before)")
	f.StringVar(&expires, "expires", "400d", "how long the list is good")
	f.StringVar(&out, "out", "", "file to write; must not exist (required)")
	_ = cmd.MarkFlagRequired("out")
	return cmd
}

func keysListSignCommand() *cobra.Command {
	var with []string
	cmd := &cobra.Command{
		Use:   "sign FILE --with ROOT.key",
		Short: "Add a root key's signature to a key list",
		Long: `Adds signatures to the key list in FILE, over the very bytes that are there, and
reads it aloud. Each holder of a root key does this in turn. A list that changes
root keys needs enough signatures of the old ones and of the new ones. Exit 2 when
a key or the list cannot be read.`,
		Example: `  samecup keys list sign keylist-2 --with ada.key`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, path := range with {
				s, _, err := release.ReadKey(path)
				if err != nil {
					return exitError{code: 2, msg: err.Error()}
				}
				if err := release.CosignFile(args[0], s); err != nil {
					return exitError{code: 2, msg: err.Error()}
				}
			}
			return showKeyList(cmd, args[0], nil)
		},
	}
	cmd.Flags().StringArrayVar(&with, "with", nil, "private root key file (required)")
	_ = cmd.MarkFlagRequired("with")
	return cmd
}

func keysListShowCommand() *cobra.Command {
	var previous string
	cmd := &cobra.Command{
		Use:   "show FILE",
		Short: "Read a key list aloud, and who signed it",
		Long: `Reads a key list aloud, a sentence a line. With --previous it also tells what
changed, and whether stations that hold the list before will take this one.
Exit 0 when enough root keys signed, 1 when more must sign, 2 when the list cannot
be read.`,
		Example: `  samecup keys list show keylist-2 --previous keylist-1`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var prev *pb.KeyList
			if previous != "" {
				var err error
				if _, prev, err = release.ReadKeyListFile(previous); err != nil {
					return exitError{code: 2, msg: err.Error()}
				}
			}
			if err := showKeyList(cmd, args[0], prev); err != nil {
				return err
			}
			b, _, err := release.ReadKeyListFile(args[0])
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if sig, err := release.CountSignatures(b, prev); err != nil || !sig.Enough() {
				return exitError{code: 1}
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&previous, "previous", "", "the list before, to compare with")
	return cmd
}

func writeKeyList(cmd *cobra.Command, out string, l, prev *pb.KeyList) error {
	b, err := release.UnsignedKeyList(l)
	if err != nil {
		return exitError{code: 2, msg: err.Error()}
	}
	if err := release.CreateKeyListFile(out, b); err != nil {
		return exitError{code: 2, msg: err.Error()}
	}
	return showKeyList(cmd, out, prev)
}

func showKeyList(cmd *cobra.Command, path string, prev *pb.KeyList) error {
	b, _, err := release.ReadKeyListFile(path)
	if err != nil {
		return exitError{code: 2, msg: err.Error()}
	}
	lines, err := release.DescribeKeyList(b, prev, time.Now())
	if err != nil {
		return exitError{code: 2, msg: err.Error()}
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), strings.Join(lines, "\n"))
	return err
}
