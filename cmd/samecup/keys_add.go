//go:build !station

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func keysAddCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "add FILE",
		Short: "Hand the next key list, signed by its root keys, to the authority",
		Long: `Hands the next key list to the authority, after reading it aloud. It was signed
offline with "samecup keys list sign". The authority checks the signatures; revoked
keys are refused from then on, and what they signed is signed anew. Stations take
the list by themselves. This is the one part of the ceremony that needs a network.`,
		Example: `  samecup keys add keylist-2 --as ada.token`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			envelope, list, err := release.ReadKeyListFile(args[0])
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				client := pb.NewGovernanceServiceClient(cc)
				known, err := client.ListKeyLists(ctx, &pb.ListKeyListsRequest{})
				if err != nil {
					return answer{}, err
				}
				words, err := release.DescribeKeyList(envelope, listBefore(known.KeyLists, list.Version), time.Now())
				if err != nil {
					return answer{}, exitError{code: 2, msg: fmt.Sprintf("%s: %v", args[0], err)}
				}
				res, err := client.AddKeyList(ctx, &pb.AddKeyListRequest{RequestId: a.id(), KeyList: envelope})
				return one(res, func(w io.Writer) {
					fmt.Fprintln(w, strings.Join(words, "\n"))
					fmt.Fprintf(w, "The authority follows key list %d.\n", res.Version)
				}), err
			})
		},
	}
	a.writes(cmd)
	return cmd
}

// listBefore is the list before a version, or nil.
func listBefore(envelopes [][]byte, version uint64) *pb.KeyList {
	for _, e := range envelopes {
		if l, err := release.UnverifiedKeyList(e); err == nil && l.Version+1 == version {
			return l
		}
	}
	return nil
}

func keysRotateCommand() *cobra.Command {
	var a ask
	var label, role, save string
	cmd := &cobra.Command{
		Use:   "rotate --label TEXT",
		Short: "Make a new signing key at the authority and say how it takes over",
		Long: `Makes a signing key in the authority's directory and prints the steps by which it
takes over from the old one. The new key signs nothing before a key list names it,
and only the holders of the root keys can sign that list, on a machine kept offline:

  1. here:     samecup keys rotate         makes the key, prints its public half
  2. offline:  samecup keys list next      names it beside the old key
  3. offline:  samecup keys list sign      each holder of a root key, in turn
  4. here:     samecup keys add            the authority signs with both from now on
  5. later:    the same with --retire, when every station holds the new list

For a key that was stolen, use --revoke in place of --retire, and at once.
docs/keys.md describes the whole ceremony.`,
		Example: `  samecup keys rotate --label "authority, winter 2026" --role release --save ceremony`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if role != "release" && role != "online" && role != "both" {
				return exitError{code: 2, msg: fmt.Sprintf("--role %q: write release, online or both", role)}
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				client := pb.NewGovernanceServiceClient(cc)
				// Lists and file first: a key that nobody can name is of no use.
				known, err := client.ListKeyLists(ctx, &pb.ListKeyListsRequest{})
				if err != nil {
					return answer{}, err
				}
				if len(known.KeyLists) == 0 {
					return answer{}, errors.New("the authority has no key list yet; begin with samecup keys list new")
				}
				newest := known.KeyLists[len(known.KeyLists)-1]
				list, err := release.UnverifiedKeyList(newest)
				if err != nil {
					return answer{}, fmt.Errorf("read the newest key list: %w", err)
				}
				path := fmt.Sprintf("keylist-%d", list.Version)
				if save != "" {
					path = filepath.Join(save, path)
					if err := saveKeyList(path, newest); err != nil {
						return answer{}, err
					}
				}
				res, err := client.CreateSigningKey(ctx, &pb.CreateSigningKeyRequest{RequestId: a.id(), Label: label})
				return one(res, func(w io.Writer) { writeRotation(w, res, list, path, role, save != "") }), err
			})
		},
	}
	a.writes(cmd)
	f := cmd.Flags()
	f.StringVar(&label, "label", "", "one line for people: which key it is (required)")
	f.StringVar(&role, "role", "both", `what it shall sign: "release", "online" or "both"`)
	f.StringVar(&save, "save", "", "folder to put the newest key list in, to carry it to the offline machine")
	_ = cmd.MarkFlagRequired("label") // the flag is there
	return cmd
}

// saveKeyList writes a list; the very same one may be there already.
func saveKeyList(path string, envelope []byte) error {
	err := release.CreateKeyListFile(path, envelope)
	if err == nil {
		return nil
	}
	if there, _, e := release.ReadKeyListFile(path); e == nil && bytes.Equal(there, envelope) {
		return nil
	}
	if errors.Is(err, fs.ErrExist) {
		return exitError{code: 2, msg: fmt.Sprintf("--save: %s holds something else; name another folder", path)}
	}
	return exitError{code: 2, msg: fmt.Sprintf("--save: %v", err)}
}

// writeRotation prints the ceremony with the names filled in.
func writeRotation(w io.Writer, key *pb.CreateSigningKeyResponse, list *pb.KeyList, path, role string, saved bool) {
	next, last := fmt.Sprintf("keylist-%d", list.Version+1), fmt.Sprintf("keylist-%d", list.Version+2)
	fmt.Fprintf(w, "Key %s is at the authority. It signs nothing before a key list names it.\nIts public half is %x.\n", key.KeyId, key.PublicKey)
	if saved {
		fmt.Fprintf(w, "Key list %d, the newest, is in %s.\n", list.Version, path)
	} else {
		fmt.Fprintf(w, "Key list %d is the newest; --save DIR writes it to a folder.\n", list.Version)
	}
	fmt.Fprintf(w, "\nOn the machine that is kept offline, with %s in reach:\n\n", path)
	roles := ""
	if role != "online" {
		roles += fmt.Sprintf(" --release %x", key.PublicKey)
	}
	if role != "release" {
		roles += fmt.Sprintf(" --online %x", key.PublicKey)
	}
	fmt.Fprintf(w, "  samecup keys list next %s%s --out %s\n", path, roles, next)
	fmt.Fprintf(w, "  samecup keys list sign %s --with ROOT.key        at least %s\n", next, count(int(list.RootThreshold), "holder"))
	fmt.Fprintf(w, "  samecup keys list show %s --previous %s\n", next, path)
	fmt.Fprintf(w, "\nBack here:\n\n  samecup keys add %s\n", next)
	fmt.Fprintf(w, "\nBoth keys sign from then on. When every station holds list %d, retire the old key\nin the same way, with one of these:\n\n", list.Version+1)
	for _, k := range list.Keys {
		fmt.Fprintf(w, "  samecup keys list next %s --retire %s --out %s        %s\n", next, release.KeyID(k.PublicKey), last, k.Label)
	}
}
