package launch

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// TestASiteThatMovesTakesItsStationsAlong: two sites move to a region with an
// overlay of its own; the station of one is on at that moment, the other's comes
// back later. Nobody enrols anything.
func TestASiteThatMovesTakesItsStationsAlong(t *testing.T) {
	w := openWaves(t, tannery, lantern, "quillmaker-street")
	if _, err := w.admin.fleet.CreateSite(t.Context(), &pb.CreateSiteRequest{Site: siteOf(cooper, "hudson", newYork)}); err != nil {
		t.Fatal(err)
	}
	made, err := w.ada.overlays.CreateOverlay(t.Context(), &pb.CreateOverlayRequest{RequestId: newID(), Scope: "region.hudson",
		Reason: "the water is soft there", Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "58 °C")}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.approveOverlay(t.Context(), made.Overlay); err != nil {
		t.Fatal(err)
	}
	move := func(site, region string) {
		t.Helper()
		res, err := w.flo.fleet.UpdateSite(t.Context(), &pb.UpdateSiteRequest{RequestId: newID(), Site: &pb.Site{Id: site, Region: region}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"region"}}})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(res.MovingStations, []string{"bar-1"}) {
			t.Fatalf("%q move with %s", res.MovingStations, site)
		}
	}
	follows := func(scope string, sites ...string) {
		t.Helper()
		if err := w.agree(t.Context()); err != nil {
			t.Fatal(err)
		}
		for _, site := range sites {
			got, err := w.ben.overlays.ResolveSite(t.Context(), &pb.ResolveSiteRequest{Site: "sites/" + site})
			if err != nil || got.Release.Scope != scope {
				t.Fatalf("%s follows %v, %v; want a release for %s", site, got.GetRelease(), err, scope)
			}
		}
	}
	if err := w.off(w.counter(lantern)); err != nil {
		t.Fatal(err)
	}
	w.clock.forward(time.Hour)
	move(tannery, "hudson")
	move(lantern, "hudson")
	follows("region.hudson", tannery)
	follows("chain", "quillmaker-street")
	if err := w.on(t.Context(), w.counter(lantern)); err != nil {
		t.Fatal(err)
	}
	follows("region.hudson", tannery, lantern)
	if got := w.counter(lantern).agent.Status(); got.Behind {
		t.Errorf("%+v", got)
	}
	// Back again, with the bus away at that moment.
	w.busAway()
	w.clock.forward(time.Hour)
	move(lantern, "thames")
	if err := w.busBack(); err != nil {
		t.Fatal(err)
	}
	follows("chain", lantern)
	follows("region.hudson", tannery)
}
