//go:build !station

package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func personCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "person",
		Short: "Who may do what",
		Long: `Who may do what at head office. Until the first person is added everything is
allowed from the authority's own machine, and books are published directly; after
that every change needs a person's token. Make the first one an administrator.

Roles: author, approver, food-safety, fleet-manager, quality-lead, auditor,
administrator.`,
		Example: `  samecup person add ada --name "Ada Quill" --role administrator --save ada.token
  samecup person me --as ada.token`,
	}
	cmd.AddCommand(personAddCommand(), personListCommand(), personChangeCommand(), personMeCommand(), personRecoverCommand())
	return cmd
}

func personWords(p *pb.Person) string {
	s := shortName(p.GetName())
	if n := p.GetDisplayName(); n != "" && n != s {
		s += " (" + n + ")"
	}
	if roles := p.GetRoles(); len(roles) > 0 {
		s += ": " + strings.Join(roles, ", ")
	} else {
		s += ": no role"
	}
	if p.GetDisabled() {
		s += "; disabled"
	}
	return s
}

// tokenFile is where a token goes that is shown once. It is made before the
// call, so that no token is lost to a disk that cannot be written.
type tokenFile struct {
	path string
	f    *os.File
}

func (t *tokenFile) flag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&t.path, "save", "", "file for the token, readable by its owner only; must not exist (default: standard output)")
}

func (t *tokenFile) create() error {
	if t.path == "" {
		return nil
	}
	f, err := os.OpenFile(t.path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return exitError{code: 2, msg: fmt.Sprintf("--save: %v", err)}
	}
	t.f = f
	return nil
}

// take writes the token, if one came.
func (t *tokenFile) take(token string) error {
	if t.f == nil || token == "" {
		return nil
	}
	_, err := fmt.Fprintln(t.f, token)
	if err = errors.Join(err, t.f.Close()); err != nil {
		// The token would be lost, so it is shown after all.
		return fmt.Errorf("save the token %s: %w", token, err)
	}
	t.f = nil
	return nil
}

// discard removes a file that got no token.
func (t *tokenFile) discard() {
	if t.f != nil {
		_ = t.f.Close()
		_ = os.Remove(t.path)
	}
}

// personCall makes a call that may bring a token. What is said goes to standard
// error and the token alone to standard output, so that a script can take it.
func personCall(cmd *cobra.Command, a *ask, save *tokenFile, wanted bool, call func(context.Context, pb.GovernanceServiceClient) (*pb.CreatePersonResponse, error)) error {
	if wanted {
		if err := save.create(); err != nil {
			return err
		}
		defer save.discard()
	}
	return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
		res, err := call(ctx, pb.NewGovernanceServiceClient(cc))
		if err != nil {
			return answer{}, err
		}
		if err := save.take(res.Token); err != nil {
			return answer{}, err
		}
		if !a.json {
			fmt.Fprint(cmd.ErrOrStderr(), printable(personWords(res.Person)+"\n"+tokenWords(res.Token, save.path, wanted)))
		}
		if save.path != "" {
			res.Token = ""
		}
		return one(res, func(w io.Writer) {
			if res.Token != "" {
				fmt.Fprintln(w, res.Token)
			}
		}), nil
	})
}

func tokenWords(token, path string, wanted bool) string {
	switch {
	case !wanted:
		return ""
	case token == "":
		return "This request was answered before, and the token was in that answer only; make a new one with samecup person change --renew-token.\n"
	case path != "":
		return fmt.Sprintf("The token is in %s and nowhere else; give it with --as %s, or in %s.\n", path, path, tokenVariable)
	}
	return "The token is shown this once; keep it in a file for --as, or in " + tokenVariable + ":\n"
}

func personAddCommand() *cobra.Command {
	var a ask
	var save tokenFile
	req := &pb.CreatePersonRequest{}
	cmd := &cobra.Command{
		Use:   "add PERSON --role ROLE...",
		Short: "Add a person and print the token once",
		Long: `Adds a person. The token is printed alone on standard output, or goes into the file
that --save names, and is not kept by the authority. The first person may be added
without a token, from the authority's own machine.`,
		Example: `  samecup person add ada --name "Ada Quill" --role administrator --save ada.token
  samecup person add ben --name "Ben Finch" --role approver --role food-safety --as ada.token --save ben.token`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req.RequestId, req.PersonId = a.id(), strings.TrimPrefix(args[0], "people/")
			req.DisplayName = cmp.Or(req.DisplayName, req.PersonId)
			return personCall(cmd, &a, &save, true, func(ctx context.Context, client pb.GovernanceServiceClient) (*pb.CreatePersonResponse, error) {
				return client.CreatePerson(ctx, req)
			})
		},
	}
	a.writes(cmd)
	save.flag(cmd)
	cmd.Flags().StringVar(&req.DisplayName, "name", "", "name that people read (default: the id)")
	cmd.Flags().StringArrayVar(&req.Roles, "role", nil, "what they may do; once for each role (required)")
	_ = cmd.MarkFlagRequired("role") // the flag is there
	return cmd
}

func personChangeCommand() *cobra.Command {
	var a ask
	var save tokenFile
	req := &pb.UpdatePersonRequest{}
	cmd := &cobra.Command{
		Use:   "change PERSON",
		Short: "Change a person's roles, disable them, or make a new token",
		Example: `  samecup person change ben --role approver
  samecup person change ben --renew-token --save ben-2.token
  samecup person change ben --disable`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(req.Roles) == 0 && !req.Disable && !req.RenewToken {
				return exitError{code: 2, msg: "nothing to change: give --role, --disable or --renew-token"}
			}
			if save.path != "" && !req.RenewToken {
				return exitError{code: 2, msg: "--save keeps a new token: give --renew-token with it"}
			}
			req.RequestId, req.Name = a.id(), resource("people", args[0])
			return personCall(cmd, &a, &save, req.RenewToken, func(ctx context.Context, client pb.GovernanceServiceClient) (*pb.CreatePersonResponse, error) {
				res, err := client.UpdatePerson(ctx, req)
				return &pb.CreatePersonResponse{Person: res.GetPerson(), Token: res.GetToken()}, err
			})
		},
	}
	a.writes(cmd)
	save.flag(cmd)
	cmd.Flags().StringArrayVar(&req.Roles, "role", nil, "replaces all roles; once for each")
	cmd.Flags().BoolVar(&req.Disable, "disable", false, "the token ends and nothing more is allowed")
	cmd.Flags().BoolVar(&req.RenewToken, "renew-token", false, "make a new token; the old one ends")
	return cmd
}

func personListCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the people and their roles",
		Example: `  samecup person list`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				all, err := pages(func(token string) ([]*pb.Person, string, error) {
					res, err := pb.NewGovernanceServiceClient(cc).ListPeople(ctx, &pb.ListPeopleRequest{PageSize: 500, PageToken: token})
					return res.GetPeople(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, p := range all {
						disabled := "no"
						if p.Disabled {
							disabled = "yes"
						}
						rows = append(rows, []any{shortName(p.Name), p.DisplayName, strings.Join(p.Roles, ", "), disabled, clock(p.CreateTime)})
					}
					grid(w, "PERSON|NAME|ROLES|DISABLED|ADDED", "Nobody was added yet: everything is allowed from the authority's own machine.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func personMeCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "me",
		Short:   "Say whose token this is",
		Example: `  samecup person me --as ada.token`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewGovernanceServiceClient(cc).GetMe(ctx, &pb.GetMeRequest{})
				return one(res, func(w io.Writer) {
					if res.Unclaimed {
						fmt.Fprintln(w, "Nobody was added yet: everything is allowed from the authority's own machine.")
						return
					}
					fmt.Fprintln(w, personWords(res.Person))
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}
