package authority

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestADraftThatWasOvertakenSaysSoAndOverwritesNothingUnseen(t *testing.T) {
	s := openSeason(t)
	late := s.newDraft(t, "Late")
	late = must(s.ada.drafts.UpdateDraft(t.Context(), &pb.UpdateDraftRequest{RequestId: uuid.NewString(), Name: late.Name, Etag: late.Etag,
		Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "59 °C"), edit("drinks/cappuccino.yaml", tempPath, "59 °C")}}))(t).Draft
	review := func() *pb.ReviewDraftResponse {
		return must(s.ben.drafts.ReviewDraft(t.Context(), &pb.ReviewDraftRequest{Name: late.Name}))(t)
	}
	overtaken := func(problems []*pb.Problem) string {
		for _, p := range problems {
			if p.Level == "caution" && strings.Contains(p.Text, "begun from edition") {
				return p.Text
			}
		}
		return ""
	}
	if got := overtaken(review().Draft.Problems); got != "" {
		t.Fatalf("nothing came in between, and it says %q", got)
	}

	d := s.approve(t, s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C"), edit(latteFile, "checks.pour_height.target", "60 mm")))
	s.launch(t, d)
	r := review()
	text := overtaken(r.Draft.Problems)
	for _, want := range []string{"begun from edition 1", "edition 2 changed since", "60 °C -> 61 °C", latteFile + " " + tempPath, latteFile + " checks.pour_height.target"} {
		if !strings.Contains(text, want) {
			t.Errorf("the caution does not say %q: %s", want, text)
		}
	}
	if !slices.ContainsFunc(r.Cautions, func(c *pb.ReviewCaution) bool { return c.Problem.Text == text }) {
		t.Error("it is not among the cautions to acknowledge")
	}
	propose := func() error {
		_, err := s.ada.drafts.ProposeDraft(t.Context(), &pb.ProposeDraftRequest{RequestId: uuid.NewString(), Name: late.Name, Etag: late.Etag})
		return err
	}
	fields := refused(t, propose(), codes.FailedPrecondition, "DRAFT_BEHIND")
	want := []string{latteFile + " checks.milk_temp.target", latteFile + " checks.pour_height.target"}
	if got := slices.Sorted(maps.Keys(fields)); !slices.Equal(got, want) {
		t.Errorf("named are %q, want %q", got, want)
	}

	rebase := func(keep, take []string) (*pb.RebaseDraftResponse, error) {
		return s.ada.drafts.RebaseDraft(t.Context(), &pb.RebaseDraftRequest{RequestId: uuid.NewString(), Name: late.Name, Etag: late.Etag, Keep: keep, Take: take})
	}
	_, err := rebase(nil, nil)
	if fields := refused(t, err, codes.FailedPrecondition, "DRAFT_CONFLICT"); len(fields) != 1 || !strings.Contains(fields[want[0]], "61 °C") {
		t.Errorf("both changed %v", fields)
	}
	_, err = rebase(want[:1], want[:1])
	refused(t, err, codes.InvalidArgument, "BAD_REQUEST")
	_, err = rebase([]string{latteFile + " name"}, want[:1])
	refused(t, err, codes.InvalidArgument, "BAD_REQUEST")
	res := must(rebase(want[:1], nil))(t)
	late = res.Draft
	if late.BaseEdition != 2 || !slices.Equal(res.Taken, want[1:]) {
		t.Errorf("on edition %d, taken %q", late.BaseEdition, res.Taken)
	}
	if got := overtaken(review().Draft.Problems); got != "" {
		t.Errorf("it is up to date, and says %q", got)
	}
	if err := propose(); err != nil {
		t.Fatal(err)
	}
	var changed []string
	for _, c := range review().Changes {
		if c.Kind == "field" || strings.Contains(c.Text, "milk temperature") {
			changed = append(changed, c.Subject)
		}
	}
	if len(changed) == 0 {
		t.Error("the draft's own changes are gone")
	}
}

func TestRebasedTakesFilesAndFields(t *testing.T) {
	m := func(pairs ...string) map[string][]byte {
		out := map[string][]byte{}
		for i := 0; i < len(pairs); i += 2 {
			out[pairs[i]] = []byte(pairs[i+1])
		}
		return out
	}
	for name, c := range map[string]struct {
		base, theirs, draft, want map[string][]byte
		keep, take, conflicts     []string
	}{
		"a file that only the edition changed comes whole": {
			base: m("a", "x: 1\n"), theirs: m("a", "# why\nx: 2\n"), draft: m("a", "x: 1\n"), want: m("a", "# why\nx: 2\n")},
		"new and removed files": {
			base: m("a", "x: 1\n", "b", "y: 1\n"), theirs: m("a", "x: 1\n", "c", "z: 1\n"), draft: m("a", "x: 3\n", "b", "y: 1\n"), want: m("a", "x: 3\n", "c", "z: 1\n")},
		"fields of one file meet, with the draft's comments": {
			base: m("a", "x: 1\ny: 1\n"), theirs: m("a", "x: 2\ny: 1\n"), draft: m("a", "x: 1 # mine\ny: 3\n"), want: m("a", "x: 2 # mine\ny: 3\n")},
		"both the same": {
			base: m("a", "x: 1\n"), theirs: m("a", "x: 2\n"), draft: m("a", "x: 2\n"), want: m("a", "x: 2\n")},
		"both otherwise": {
			base: m("a", "x: 1\n"), theirs: m("a", "x: 2\n"), draft: m("a", "x: 3\n"), conflicts: []string{"a x"}},
		"the draft's stays": {
			base: m("a", "x: 1\n"), theirs: m("a", "x: 2\n"), draft: m("a", "x: 3\n"), keep: []string{"a x"}, want: m("a", "x: 3\n")},
		"the edition's is taken": {
			base: m("a", "x: 1\n"), theirs: m("a", "x: 2\n"), draft: m("a", "x: 3\n"), take: []string{"a x"}, want: m("a", "x: 2\n")},
		"a file that was removed and edited": {
			base: m("a", "x: 1\n", "b", "y: 1\n"), theirs: m("a", "x: 1\n"), draft: m("a", "x: 1\n", "b", "y: 2\n"), conflicts: []string{"b"}},
	} {
		t.Run(name, func(t *testing.T) {
			got, _, err := rebased(c.base, c.theirs, c.draft, c.keep, c.take)
			if len(c.conflicts) > 0 {
				fields := refused(t, err, codes.FailedPrecondition, "DRAFT_CONFLICT")
				if named := slices.Sorted(maps.Keys(fields)); !slices.Equal(named, c.conflicts) {
					t.Errorf("conflicts %q", named)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("files (-want +got):\n%s", d)
			}
		})
	}
}
