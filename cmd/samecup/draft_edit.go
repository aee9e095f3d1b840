//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// draftMark is the file in an exported folder that says which draft it was, and
// at which etag, so that an import does not overwrite what others saved since.
const draftMark = ".samecup-draft"

func draftSetCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "set DRAFT FILE PATH VALUE...",
		Short: "Change single fields and leave everything else as it is",
		Long: `Changes single fields: comments and order elsewhere stay byte for byte. VALUE is
YAML; an empty one removes the field. FILE PATH VALUE may be repeated for one save.
It is saved even when the check finds errors, which only block a proposal.
Field paths are described in docs/book.md.`,
		Example: `  samecup draft set autumn-menu drinks/latte.yaml checks.milk_temp.target '61 °C'
  samecup draft set autumn-menu drinks/latte.yaml checks.milk_temp.target '61 °C' drinks/latte.yaml checks.pour_height ''`,
		Args: cobra.MinimumNArgs(4),
		RunE: func(cmd *cobra.Command, args []string) error {
			edits, err := parseEdits(args[1:])
			if err != nil {
				return err
			}
			return saveDraft(cmd, &a, &pb.UpdateDraftRequest{Name: resource("drafts", args[0]), Edits: edits})
		},
	}
	a.updates(cmd)
	return cmd
}

// saveDraft sends an update of a draft's files.
func saveDraft(cmd *cobra.Command, a *ask, req *pb.UpdateDraftRequest) error {
	return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
		d, err := updateDraft(ctx, cc, a, req)
		return draftAnswer(d), err
	})
}

func updateDraft(ctx context.Context, cc *grpc.ClientConn, a *ask, req *pb.UpdateDraftRequest) (*pb.Draft, error) {
	var err error
	if req.Etag, err = a.basis(func() (string, error) {
		d, err := getDraft(ctx, cc, req.Name)
		return d.GetEtag(), err
	}); err != nil {
		return nil, err
	}
	req.RequestId = a.id()
	req.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"files"}}
	res, err := pb.NewDraftServiceClient(cc).UpdateDraft(ctx, req)
	return res.GetDraft(), err
}

func draftPutCommand() *cobra.Command {
	var a ask
	var book string
	var remove []string
	cmd := &cobra.Command{
		Use:   "put DRAFT FILE...",
		Short: "Replace whole files of a draft, or remove some",
		Long: `Replaces whole files of a draft. FILE is the path in the book, such as
drinks/latte.yaml, and is read below the folder that --book names.`,
		Example: `  samecup draft put autumn-menu --book testdata/harbour-finch drinks/latte.yaml
  samecup draft put autumn-menu --remove drinks/eggnog.yaml`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 && len(remove) == 0 {
				return exitError{code: 2, msg: "name a FILE to put, or one to take away with --remove"}
			}
			req := &pb.UpdateDraftRequest{Name: resource("drafts", args[0]), RemovedFiles: remove}
			for _, name := range args[1:] {
				content, err := readBookFile(book, name)
				if err != nil {
					return err
				}
				req.Files = append(req.Files, &pb.SourceFile{Path: path.Clean(filepath.ToSlash(name)), Content: content})
			}
			return saveDraft(cmd, &a, req)
		},
	}
	a.updates(cmd)
	cmd.Flags().StringVar(&book, "book", ".", "folder of the book")
	cmd.Flags().StringArrayVar(&remove, "remove", nil, "path of a file to take out of the draft")
	return cmd
}

// readBookFile reads one file of a book's folder and nothing outside it.
func readBookFile(dir, name string) ([]byte, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, exitError{code: 2, msg: fmt.Sprintf("--book: %v", err)}
	}
	defer root.Close()
	content, err := root.ReadFile(name)
	if err != nil {
		return nil, exitError{code: 2, msg: fmt.Sprintf("FILE is a path below the folder %s of the book: %v", dir, err)}
	}
	return content, nil
}

func draftExportCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "export DRAFT DIR",
		Short: "Write a draft's files to a folder, to edit them there",
		Long: `Writes a draft's files to DIR, which must hold no book yet. The file ` + draftMark + ` keeps
which draft it was and at which etag, so that "draft import" is refused when
somebody saved in between.`,
		Example: `  samecup draft export autumn-menu autumn
  samecup check autumn
  samecup draft import autumn-menu autumn`,
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				d, err := draftWithFiles(ctx, cc, args[0])
				if err != nil {
					return answer{}, err
				}
				if err := exportDraft(args[1], d); err != nil {
					return answer{}, err
				}
				return said(d, "%s of draft %s, save %d, are in %s", count(len(d.Files), "file"), shortName(d.Name), d.Revision, args[1]), nil
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func draftWithFiles(ctx context.Context, cc *grpc.ClientConn, id string) (*pb.Draft, error) {
	res, err := pb.NewDraftServiceClient(cc).GetDraft(ctx, &pb.GetDraftRequest{
		Name: resource("drafts", id), ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"files"}},
	})
	return res.GetDraft(), err
}

// exportDraft writes a draft's files below dir and never outside it.
func exportDraft(dir string, d *pb.Draft) (err error) {
	if err := os.MkdirAll(dir, 0o755); err != nil { //nolint:gosec // a folder to work in
		return exitError{code: 2, msg: err.Error()}
	}
	if there, _ := drink.ReadFiles(os.DirFS(dir)); len(there) > 0 {
		return exitError{code: 2, msg: fmt.Sprintf("%s holds a book already, which would be overwritten: name another folder", dir)}
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return fmt.Errorf("open %s: %w", dir, err)
	}
	defer func() { err = errors.Join(err, root.Close()) }()
	for _, f := range d.Files {
		name := filepath.FromSlash(f.Path)
		if err := root.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return fmt.Errorf("export %s: %w", f.Path, err)
		}
		if err := root.WriteFile(name, f.Content, 0o644); err != nil {
			return fmt.Errorf("export %s: %w", f.Path, err)
		}
	}
	return markDraft(root, d)
}

func markDraft(root *os.Root, d *pb.Draft) error {
	if err := root.WriteFile(draftMark, []byte(d.Name+"\n"+d.Etag+"\n"), 0o644); err != nil {
		return fmt.Errorf("note which draft this is: %w", err)
	}
	return nil
}

// readDraftMark returns the draft and etag that a folder was exported from;
// both are empty where it was not.
func readDraftMark(root *os.Root) (name, etag string, err error) {
	b, err := root.ReadFile(draftMark)
	if errors.Is(err, fs.ErrNotExist) {
		return "", "", nil
	}
	if err != nil {
		return "", "", fmt.Errorf("read which draft this is: %w", err)
	}
	words := strings.Fields(string(b))
	if len(words) != 2 {
		return "", "", exitError{code: 2, msg: fmt.Sprintf("%s must hold a draft's name and its etag, a line each: export the draft anew, or remove the file to overwrite what is there now", draftMark)}
	}
	return words[0], words[1], nil
}

func draftImportCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "import DRAFT DIR",
		Short: "Make a draft's files those of a folder",
		Long: `Makes a draft's files those of DIR: files that are not there are taken out of the
draft. A folder from "draft export" is refused when somebody saved since; any other
folder replaces what is there now, unless --etag says what it was made from.`,
		Example: `  samecup draft import autumn-menu autumn`,
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			files, err := bookFiles(args[1])
			if err != nil {
				return err
			}
			root, err := os.OpenRoot(args[1])
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			defer root.Close()
			name, etag, err := readDraftMark(root)
			if err != nil {
				return err
			}
			req := &pb.UpdateDraftRequest{Name: resource("drafts", args[0]), Files: files}
			if name != "" && name != req.Name {
				return exitError{code: 2, msg: fmt.Sprintf("%s was exported from draft %s, not %s: name that one, or remove %s there", args[1], shortName(name), shortName(req.Name), draftMark)}
			}
			if a.etag == "" {
				a.etag = etag
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				before, err := draftWithFiles(ctx, cc, req.Name)
				if err != nil {
					return answer{}, err
				}
				req.RemovedFiles = missingFiles(before.Files, files)
				if a.etag == "" {
					a.etag = before.Etag
				}
				after, err := updateDraft(ctx, cc, &a, req)
				if err != nil {
					return answer{}, err
				}
				if name != "" {
					err = markDraft(root, after)
				}
				saved := draftAnswer(after)
				return one(after, func(w io.Writer) {
					if n := len(req.RemovedFiles); n > 0 {
						fmt.Fprintf(w, "%s not in %s and taken out: %s\n", count(n, "file"), args[1], strings.Join(req.RemovedFiles, ", "))
					}
					saved.words(w)
				}), err
			})
		},
	}
	a.updates(cmd)
	return cmd
}

// missingFiles are the paths of old that are not in now.
func missingFiles(old, now []*pb.SourceFile) []string {
	var out []string
	for _, f := range old {
		if !slices.ContainsFunc(now, func(n *pb.SourceFile) bool { return n.Path == f.Path }) {
			out = append(out, f.Path)
		}
	}
	return out
}
