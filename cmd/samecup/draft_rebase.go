//go:build !station

package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func draftRebaseCommand() *cobra.Command {
	var a ask
	var keep, take []string
	cmd := &cobra.Command{
		Use:   "rebase DRAFT",
		Short: "Bring a draft up to the newest edition",
		Long: `Takes in what the newest edition changed since the draft was begun, field by field,
and leaves what the draft changed. Fields that both changed are named and nothing is
saved; say of each, by the name that is shown, whether the draft's value stays
(--keep) or the edition's is taken (--take). A proposed draft is open again
afterwards.`,
		Example: `  samecup draft rebase autumn-menu
  samecup draft rebase autumn-menu --keep "drinks/latte.yaml checks.milk_temp.target" --take "house.yaml pull.dose"`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				etag, err := a.basis(draftEtag(ctx, cc, args[0]))
				if err != nil {
					return answer{}, err
				}
				res, err := pb.NewDraftServiceClient(cc).RebaseDraft(ctx, &pb.RebaseDraftRequest{
					RequestId: a.id(), Name: resource("drafts", args[0]), Etag: etag, Keep: keep, Take: take,
				})
				return one(res, func(w io.Writer) {
					for _, field := range res.Taken {
						fmt.Fprintln(w, "taken from the edition:", field)
					}
					fmt.Fprintf(w, "draft %s stands on edition %s now\n", shortName(res.Draft.Name), number(res.Draft.BaseEdition))
					draftAnswer(res.Draft).words(w)
				}), err
			})
		},
	}
	a.updates(cmd)
	cmd.Flags().StringArrayVar(&keep, "keep", nil, "field that both changed: the draft's value stays; once for each")
	cmd.Flags().StringArrayVar(&take, "take", nil, "field that both changed: the edition's value is taken; once for each")
	return cmd
}
