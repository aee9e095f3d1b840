package authority

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestASiteIsResolvedThroughItsRegion(t *testing.T) {
	s := openSeason(t)
	s.approveOverlay(t, s.overlay(t, "region.harbour", edit(latteFile, tempPath, "59 °C")))
	s.clock.forward(time.Minute)
	site := s.overlay(t, "site.oyster-steps", edit(latteFile, "checks.froth_depth.target", "11 mm"))
	if site.Edits[0].BaseValue != "10 mm" {
		t.Fatalf("pinned on %q", site.Edits[0].BaseValue)
	}
	s.approveOverlay(t, site)
	s.clock.forward(time.Minute)
	both := s.resolve(t, "oyster-steps", "latte").Origins
	if len(both) < 2 || both[0].Source == both[1].Source {
		t.Fatalf("origins: %v", both)
	}
	before := s.resolve(t, "oyster-steps", "").Release

	// The region's overlay goes; what the site has of its own stays.
	must(s.ada.overlays.RetireOverlay(t.Context(), &pb.RetireOverlayRequest{RequestId: uuid.NewString(), Name: "overlays/region.harbour", Reason: "no longer"}))(t)
	s.clock.forward(time.Minute)
	after := s.resolve(t, "oyster-steps", "latte")
	if after.Release.Number == before.Number || len(after.Origins) == 0 || after.Origins[0].Source != "overlays/site.oyster-steps" || after.Origins[1].Source != "edition 1" {
		t.Fatalf("after retiring: release %v, %v", after.Release, after.Origins[:2])
	}
	// What it followed before is told with the overlays of that time.
	old := must(s.ada.overlays.ResolveSite(t.Context(), &pb.ResolveSiteRequest{Site: "sites/oyster-steps", AtTime: timestamppb.New(s.now().Add(-time.Minute - time.Second))}))(t)
	if old.Release.Number != before.Number || len(old.Origins) != 2 {
		t.Fatalf("before retiring: release %v, origins %v", old.Release, old.Origins)
	}
}

func TestARegionDoesNotOverrunWhatASiteSet(t *testing.T) {
	s := openSeason(t)
	s.approveOverlay(t, s.overlay(t, "site.oyster-steps", edit(latteFile, tempPath, "58 °C")))
	o := s.overlay(t, "region.harbour", edit(latteFile, tempPath, "59 °C"))
	r := must(s.ben.overlays.ReviewOverlay(t.Context(), &pb.ReviewOverlayRequest{Name: o.Name}))(t)
	_, err := s.ben.overlays.ApproveOverlay(t.Context(), &pb.ApproveOverlayRequest{RequestId: uuid.NewString(), Name: o.Name, Etag: o.Etag,
		Role: "approver", Cautions: cautionIDs(r.Cautions)})
	if fields := refused(t, err, codes.FailedPrecondition, "NEEDS_REBASE"); !hasField(fields, "site.oyster-steps") {
		t.Fatalf("violations: %v", fields)
	}
}

func TestOverlaysThatCannotBeProposed(t *testing.T) {
	s := openSeason(t)
	for name, c := range map[string]struct {
		scope, value string
		code         codes.Code
		reason       string
	}{
		"the chain":        {"chain", "58 °C", codes.InvalidArgument, "BAD_REQUEST"},
		"no such site":     {"site.nowhere", "58 °C", codes.FailedPrecondition, "SCOPE_UNKNOWN"},
		"no change":        {"site.oyster-steps", "60 °C", codes.InvalidArgument, "BAD_REQUEST"},
		"a book of errors": {"site.oyster-steps", "80 °C", codes.FailedPrecondition, "BOOK_HAS_ERRORS"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := s.ada.overlays.CreateOverlay(t.Context(), &pb.CreateOverlayRequest{RequestId: uuid.NewString(), Scope: c.scope, Reason: "because",
				Edits: []*pb.FieldEdit{edit(latteFile, tempPath, c.value)}})
			refused(t, err, c.code, c.reason)
		})
	}
	s.overlay(t, "site.oyster-steps", edit(latteFile, tempPath, "58 °C"))
	_, err := s.ada.overlays.CreateOverlay(t.Context(), &pb.CreateOverlayRequest{RequestId: uuid.NewString(), Scope: "site.oyster-steps", Reason: "again",
		Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "57 °C")}})
	refused(t, err, codes.AlreadyExists, "OVERLAY_EXISTS")
	_, err = s.ada.overlays.GetOverlay(t.Context(), &pb.GetOverlayRequest{Name: "overlays/site.tannery-row"})
	refused(t, err, codes.NotFound, "OVERLAY_NOT_FOUND")
	_, err = s.ada.overlays.ResolveSite(t.Context(), &pb.ResolveSiteRequest{Site: "sites/nowhere"})
	refused(t, err, codes.NotFound, "SITE_NOT_FOUND")
	if got := must(s.ada.overlays.ListOverlays(t.Context(), &pb.ListOverlaysRequest{}))(t); len(got.Overlays) != 1 {
		t.Fatalf("overlays: %v", got.Overlays)
	}
}
