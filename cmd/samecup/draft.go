//go:build !station

package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func draftCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "draft",
		Short: "Take a change of the book from its first edit to an approved draft",
		Long: `Takes a change of the book from its first edit to an approved draft, which
"samecup rollout start" then takes to the counters. Whoever edited a draft does not
approve it. An edit is refused, with the fields that differ, when somebody saved in
between. A draft that a newer edition has overtaken is brought up to date by
"samecup draft rebase" before it is proposed.`,
		Example: `  samecup draft create "Autumn menu"
  samecup draft set autumn-menu drinks/latte.yaml checks.milk_temp.target '61 °C'
  samecup draft review autumn-menu
  samecup draft propose autumn-menu`,
	}
	cmd.AddCommand(draftCreateCommand(), draftListCommand(), draftShowCommand(), draftSetCommand(), draftPutCommand(),
		draftCommentCommand(), draftExportCommand(), draftImportCommand(), draftReviewCommand(), draftRebaseCommand(), draftProposeCommand(),
		draftApproveCommand(), draftReturnCommand(), draftWithdrawCommand())
	return cmd
}

func draftCreateCommand() *cobra.Command {
	var a ask
	var id, from string
	cmd := &cobra.Command{
		Use:   "create TITLE",
		Short: "Begin a draft from the newest edition, or from a folder",
		Long: `Begins a draft from the newest edition. With --from it takes the book in that
folder instead, which the first draft of a chain needs.`,
		Example: `  samecup draft create "Autumn menu"
  samecup draft create "Opening book" --from testdata/harbour-finch --id opening`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &pb.CreateDraftRequest{RequestId: a.id(), Title: args[0], DraftId: id}
			if from != "" {
				files, err := bookFiles(from)
				if err != nil {
					return err
				}
				req.Files = files
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewDraftServiceClient(cc).CreateDraft(ctx, req)
				return draftAnswer(res.GetDraft()), err
			})
		},
	}
	a.writes(cmd)
	cmd.Flags().StringVar(&id, "id", "", "slug to call it by (default: made from the title)")
	cmd.Flags().StringVar(&from, "from", "", "folder with a whole book (default: the newest edition)")
	return cmd
}

// bookFiles reads a book's sources from a folder.
func bookFiles(dir string) ([]*pb.SourceFile, error) {
	files, problems := drink.ReadFiles(os.DirFS(dir))
	if problems.HasErrors() {
		return nil, exitError{code: 2, msg: fmt.Sprintf("%s: %v", dir, problems.Err())}
	}
	var out []*pb.SourceFile
	for _, path := range slices.Sorted(maps.Keys(files)) {
		out = append(out, &pb.SourceFile{Path: path, Content: files[path]})
	}
	if len(out) == 0 {
		return nil, exitError{code: 2, msg: fmt.Sprintf("%s holds no YAML file: name the folder of a book", dir)}
	}
	return out, nil
}

// draftAnswer tells how a draft stands after an act.
func draftAnswer(d *pb.Draft) answer {
	return one(d, func(w io.Writer) {
		errorLines(w, d.Problems, "samecup draft show "+shortName(d.Name))
		fmt.Fprintf(w, "draft %s is %s, at save %d, etag %s\n", shortName(d.Name), draftState(d.State), d.Revision, d.Etag)
	})
}

func draftState(s pb.DraftState) string { return stateWords(s, "DRAFT_STATE_") }

func draftListCommand() *cobra.Command {
	var a ask
	var states []string
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the drafts",
		Example: `  samecup draft list --state open --state proposed`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			req := &pb.ListDraftsRequest{PageSize: 500}
			for _, s := range states {
				v, ok := pb.DraftState_value["DRAFT_STATE_"+strings.ToUpper(s)]
				if !ok || v == 0 {
					return exitError{code: 2, msg: fmt.Sprintf("--state %q: write open, proposed, approved, released or withdrawn", s)}
				}
				req.States = append(req.States, pb.DraftState(v))
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				all, err := pages(func(token string) ([]*pb.Draft, string, error) {
					req.PageToken = token
					res, err := pb.NewDraftServiceClient(cc).ListDrafts(ctx, req)
					return res.GetDrafts(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, d := range all {
						rows = append(rows, []any{shortName(d.Name), draftState(d.State), d.Author, number(d.BaseEdition), d.Revision, clock(d.UpdateTime), d.Title})
					}
					grid(w, "DRAFT|STATE|AUTHOR|FROM EDITION|SAVES|CHANGED|TITLE", "There is no such draft.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	cmd.Flags().StringArrayVar(&states, "state", nil, "only these: open, proposed, approved, released, withdrawn")
	return cmd
}

func draftShowCommand() *cobra.Command {
	var a ask
	var notes bool
	cmd := &cobra.Command{
		Use:     "show DRAFT",
		Short:   "Show how a draft stands: findings, remarks and approvals",
		Example: `  samecup draft show autumn-menu`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			levels := []string{levelError, levelCaution}
			if notes {
				levels = append(levels, levelNote)
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				d, err := getDraft(ctx, cc, args[0])
				return one(d, func(w io.Writer) { writeDraft(w, d, levels) }), err
			})
		},
	}
	a.reads(cmd)
	cmd.Flags().BoolVar(&notes, "notes", false, "with the notes of the check, such as what each serving comes to")
	return cmd
}

func getDraft(ctx context.Context, cc *grpc.ClientConn, id string) (*pb.Draft, error) {
	res, err := pb.NewDraftServiceClient(cc).GetDraft(ctx, &pb.GetDraftRequest{Name: resource("drafts", id)})
	return res.GetDraft(), err
}

func writeDraft(w io.Writer, d *pb.Draft, levels []string) {
	fmt.Fprintf(w, "%s (%s)\n", d.Title, shortName(d.Name))
	fmt.Fprintf(w, "%s; made from edition %s by %s at %s\n", draftState(d.State), number(d.BaseEdition), d.Author, clock(d.CreateTime))
	fmt.Fprintf(w, "save %d at %s, etag %s; edited by %s\n", d.Revision, clock(d.UpdateTime), d.Etag, orDash(strings.Join(d.Editors, ", ")))
	if d.Edition != 0 {
		fmt.Fprintf(w, "released as edition %d\n", d.Edition)
	}
	approvalLines(w, d.Approvals)
	for _, c := range d.Comments {
		field := ""
		if c.Field != "" {
			field = c.Field + ": "
		}
		fmt.Fprintf(w, "%s at save %d, %s: %s%s\n", c.Author, c.Revision, clock(c.CreateTime), field, c.Text)
	}
	problemLines(w, d.Problems, levels...)
}

func draftCommentCommand() *cobra.Command {
	var a ask
	var field string
	cmd := &cobra.Command{
		Use:     "comment DRAFT TEXT",
		Short:   "Add a remark, to the whole or to a field",
		Example: `  samecup draft comment autumn-menu "Why less milk?" --field "drinks/latte.yaml: servings[size=medium].milk"`,
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewDraftServiceClient(cc).CommentDraft(ctx, &pb.CommentDraftRequest{
					RequestId: a.id(), Name: resource("drafts", args[0]), Field: field, Text: args[1],
				})
				return said(res.GetDraft(), "the remark stands at draft %s", shortName(res.GetDraft().GetName())), err
			})
		},
	}
	a.writes(cmd)
	cmd.Flags().StringVar(&field, "field", "", "file and path that it is about (default: the whole draft)")
	return cmd
}
