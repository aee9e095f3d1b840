package authority

import (
	"slices"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// A halted edition that declared a new allergen cannot be rolled back, and a
// mended one takes its place.
func TestAHaltedEditionWithANewAllergenIsReplaced(t *testing.T) {
	s := openSeason(t)
	egg := edit("ingredients.yaml", "ingredients[id=chocolate-powder].may_contain", "[milk, soya, nuts, egg]")
	d := s.approve(t, s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C"), egg))
	r := s.launch(t, d, &pb.Wave{Sites: []string{"tannery-row", "lantern-hill"}}, &pb.Wave{All: true})
	must(s.ben.rollouts.HaltRollout(t.Context(), &pb.HaltRolloutRequest{RequestId: uuid.NewString(), Name: r.Name, Reason: "too warm"}))(t)
	_, err := s.flo.rollouts.RollBack(t.Context(), &pb.RollBackRequest{RequestId: uuid.NewString(), Reason: "too warm"})
	refused(t, err, codes.FailedPrecondition, "ROLLBACK_BLOCKED")

	mended := s.approve(t, s.draft(t, "mended", edit(latteFile, tempPath, "60 °C")))
	start := func(replaces string) (*pb.CreateRolloutResponse, error) {
		return s.flo.rollouts.CreateRollout(t.Context(), &pb.CreateRolloutRequest{RequestId: uuid.NewString(), Draft: mended.Name, Replaces: replaces,
			TrainingPercent: 100, Waves: []*pb.Wave{{Sites: []string{"oyster-steps"}}, {All: true}}})
	}
	_, err = start("")
	refused(t, err, codes.FailedPrecondition, "ROLLOUT_OPEN")
	_, err = start("drafts/2")
	refused(t, err, codes.InvalidArgument, "BAD_REQUEST")
	got := must(start(r.Name))(t).Rollout
	if got.Replaces != r.Name || !slices.Equal(got.Waves[0].ReachedSites, []string{"lantern-hill", "oyster-steps", "tannery-row"}) {
		t.Fatalf("rollout: %v", got)
	}
	if !got.Releases[0].Safety {
		t.Error("for a site that never had edition 2 the allergen is new, and the release says nothing of safety")
	}
	if old := s.get(t, r); old.State != pb.RolloutState_ROLLOUT_STATE_REPLACED || old.ReplacedBy != got.Name {
		t.Fatalf("the halted one: %v", old)
	}
	for _, site := range []string{"lantern-hill", "tannery-row"} {
		if res := s.resolve(t, site, ""); res.Release.Edition != got.Edition {
			t.Errorf("%s follows edition %d", site, res.Release.Edition)
		}
	}
	if got := verified(t, s.admin); got.BrokenAt != 0 {
		t.Fatalf("verify: %v", got)
	}
}
