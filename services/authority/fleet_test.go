package authority

import (
	"bytes"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

func key(site, station string) store.StationKey {
	return store.StationKey{Site: site, Station: station}
}

func TestCreateSite(t *testing.T) {
	h := start(t)
	site := func(edit func(*pb.Site)) *pb.Site {
		s := &pb.Site{Id: "tannery-row", Name: "Tannery Row", Region: "north", TimeZone: "Europe/London"}
		if edit != nil {
			edit(s)
		}
		return s
	}
	for _, c := range []struct {
		name   string
		site   *pb.Site
		code   codes.Code
		reason string
		field  string
	}{
		{"new", site(nil), codes.OK, "", ""},
		{"the same again", site(nil), codes.OK, "", ""},
		{"another under that id", site(func(s *pb.Site) { s.Region = "south" }), codes.AlreadyExists, "SITE_DIFFERS", ""},
		{"none", nil, codes.InvalidArgument, "BAD_REQUEST", "site"},
		{"a dot in the id", site(func(s *pb.Site) { s.Id = "tannery.row" }), codes.InvalidArgument, "BAD_REQUEST", "site.id"},
		{"no name", site(func(s *pb.Site) { s.Name = " " }), codes.InvalidArgument, "BAD_REQUEST", "site.name"},
		{"a wild card for a region", site(func(s *pb.Site) { s.Region = "*" }), codes.InvalidArgument, "BAD_REQUEST", "site.region"},
		{"no such zone", site(func(s *pb.Site) { s.TimeZone = "Europe/Atlantis" }), codes.InvalidArgument, "BAD_REQUEST", "site.time_zone"},
		{"the centre's own zone", site(func(s *pb.Site) { s.TimeZone = "Local" }), codes.InvalidArgument, "BAD_REQUEST", "site.time_zone"},
	} {
		t.Run(c.name, func(t *testing.T) {
			res, err := h.fleet.CreateSite(t.Context(), &pb.CreateSiteRequest{Site: c.site})
			if fields := wantStatus(t, err, c.code, c.reason); c.field != "" && !hasField(fields, c.field) {
				t.Errorf("violations %v do not name %s", fields, c.field)
			}
			if err == nil {
				if d := cmp.Diff(c.site, res.Site, protocmp.Transform()); d != "" {
					t.Errorf("site (-sent +got):\n%s", d)
				}
			}
		})
	}
}

func TestEnrolment(t *testing.T) {
	h := start(t)
	_, err := h.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: "bar-1"})
	wantStatus(t, err, codes.NotFound, "SITE_NOT_FOUND")
	h.addSite(t, "tannery-row", "north")
	_, err = h.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: "bar.>"})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST")

	code := func() string {
		t.Helper()
		res, err := h.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: "bar-1"})
		if err != nil {
			t.Fatal(err)
		}
		if want := h.clock.now().Add(codeLife).Truncate(time.Microsecond); !res.ExpireTime.AsTime().Equal(want) {
			t.Errorf("expires %v, want %v", res.ExpireTime.AsTime(), want)
		}
		return res.Code
	}
	enrol := func(code string) (*pb.EnrolStationResponse, error) {
		return h.fleet.EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: code})
	}
	first := code()
	got, err := enrol(" " + strings.ToLower(first[:4]) + "-" + first[4:] + "\n")
	if err != nil {
		t.Fatal(err)
	}
	want := &pb.EnrolStationResponse{
		Site: "tannery-row", Station: "bar-1", Scopes: []string{"chain", "region.north", "site.tannery-row"},
		KeyLists: h.KeyLists(), BusUrl: "nats://bus.example:4222", TimeZone: "Europe/London",
		Placement: got.Placement, // looked at where placements are tested
	}
	if d := cmp.Diff(want, got, protocmp.Transform()); d != "" {
		t.Errorf("enrolment (-want +got):\n%s", d)
	}
	if trust, err := release.NewTrust(got.KeyLists[0]); err != nil || !trust.ReleaseKeys()[0].Equal(h.PublicKey()) {
		t.Errorf("key list: %v", err)
	}
	_, err = enrol(first)
	wantStatus(t, err, codes.FailedPrecondition, "CODE_SPENT")

	late := code()
	h.clock.forward(codeLife)
	_, err = enrol(late)
	wantStatus(t, err, codes.FailedPrecondition, "CODE_EXPIRED")

	old := code()
	fresh := code()
	_, err = enrol(old)
	wantStatus(t, err, codes.NotFound, "CODE_UNKNOWN")
	if _, err := enrol(fresh); err != nil {
		t.Errorf("enrolling a known station again: %v", err)
	}
	for _, bad := range []string{"", "ABCDEFG", "ABCDEFGHJ", "0BCDEFGH", "ÄBCDEFG", strings.Repeat("A", 1<<16)} {
		_, err := enrol(bad)
		wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST")
	}
	_, err = enrol("22222222")
	wantStatus(t, err, codes.NotFound, "CODE_UNKNOWN")

	raw, err := h.store.ListStations(t.Context(), key("", ""), 10)
	if err != nil || len(raw) != 1 {
		t.Errorf("stations: %v, %v", raw, err)
	}
}

func TestOneOfManySpendsACode(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	res, err := h.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: "bar-1"})
	if err != nil {
		t.Fatal(err)
	}
	const callers = 8
	errs := make([]error, callers)
	var wg sync.WaitGroup
	for i := range callers {
		wg.Go(func() {
			_, errs[i] = h.fleet.EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: res.Code})
		})
	}
	wg.Wait()
	won := 0
	for _, err := range errs {
		if err == nil {
			won++
			continue
		}
		wantStatus(t, err, codes.FailedPrecondition, "CODE_SPENT")
	}
	if won != 1 {
		t.Errorf("%d callers enrolled, want 1", won)
	}
}

func TestEnrolmentNeedsNoBus(t *testing.T) {
	srv := startBus(t, t.TempDir())
	h := startOn(t, srv.URL(), t.TempDir())
	h.addSite(t, "tannery-row", "north")
	srv.Shutdown()
	if got := h.enrol(t, "tannery-row", "bar-1"); len(got.KeyLists) != 1 {
		t.Errorf("enrolled with %d key lists, want 1", len(got.KeyLists))
	}
}

func TestSitesAreChangedAndListed(t *testing.T) {
	h := start(t)
	for _, id := range []string{"tannery-row", "oyster-steps", "lantern-hill"} {
		h.addSite(t, id, "north")
	}
	up := func(site *pb.Site, mask ...string) (*pb.Site, error) {
		req := &pb.UpdateSiteRequest{Site: site}
		if mask != nil {
			req.UpdateMask = &fieldmaskpb.FieldMask{Paths: mask}
		}
		res, err := h.fleet.UpdateSite(t.Context(), req)
		return res.GetSite(), err
	}
	got, err := up(&pb.Site{Id: "tannery-row", Region: "south", PeopleCount: 6, OpeningMinutes: []int32{360, 360, 360, 360, 360, 420, -1}}, "region", "people_count", "opening_minutes")
	if err != nil {
		t.Fatal(err)
	}
	want := &pb.Site{Id: "tannery-row", Name: "Site tannery-row", Region: "south", TimeZone: "Europe/London", PeopleCount: 6,
		OpeningMinutes: []int32{360, 360, 360, 360, 360, 420, -1}}
	if d := cmp.Diff(want, got, protocmp.Transform()); d != "" {
		t.Errorf("site (-want +got):\n%s", d)
	}
	row, err := h.store.Site(t.Context(), "tannery-row")
	if err != nil || row.Region != "south" {
		t.Errorf("the row is %v, %v", row, err)
	}
	_, err = up(&pb.Site{Id: "nowhere", Name: "x"}, "name")
	wantStatus(t, err, codes.NotFound, "SITE_NOT_FOUND")
	_, err = up(&pb.Site{Id: "tannery-row"}, "id")
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST")
	_, err = up(&pb.Site{Id: "tannery-row", Name: "x", TimeZone: "Europe/London", OpeningMinutes: []int32{1}})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST")

	var ids []string
	req := &pb.ListSitesRequest{PageSize: 2}
	for {
		page, err := h.fleet.ListSites(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range page.Sites {
			ids = append(ids, v.Id)
		}
		if req.PageToken = page.NextPageToken; req.PageToken == "" {
			break
		}
	}
	if d := cmp.Diff([]string{"lantern-hill", "oyster-steps", "tannery-row"}, ids); d != "" {
		t.Errorf("sites (-want +got):\n%s", d)
	}
	_, err = h.fleet.ListSites(t.Context(), &pb.ListSitesRequest{PageToken: encodeReleaseToken(1)})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST")
}

func TestCodes(t *testing.T) {
	seen := map[string]bool{}
	for range 2000 {
		code := newCode()
		if got, ok := normalCode(code); !ok || got != code {
			t.Fatalf("code %q is read as %q, %v", code, got, ok)
		}
		if seen[code] {
			t.Fatalf("code %q came twice", code)
		}
		seen[code] = true
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		if code, ok := normalCode(text); ok && (len(code) != codeLength || strings.Trim(code, codeAlphabet) != "") {
			t.Fatalf("%q is read as %q", text, code)
		}
	})
}

func TestCodesAreStoredHashed(t *testing.T) {
	a, b := hashCode("ABCDEFGH"), hashCode("ABCDEFGJ")
	if bytes.Equal(a[:], b[:]) || bytes.Contains(a[:], []byte("ABCDEFGH")) {
		t.Error("hashes tell nothing apart, or tell the code")
	}
}

func TestListStationsPages(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.addSite(t, "oyster-steps", "")
	for _, s := range []string{"bar-2", "bar-1"} {
		h.enrol(t, "tannery-row", s)
	}
	h.enrol(t, "oyster-steps", "bar-1")
	files := bookFiles(t)
	h.publish(t, request(files))
	regional := request(files)
	regional.Scope = "region.north"
	h.publish(t, regional)
	var got []string
	req := &pb.ListStationsRequest{PageSize: 1}
	for {
		page, err := h.fleet.ListStations(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range page.Stations {
			got = append(got, s.Site+"/"+s.Station+" "+string(rune('0'+s.ExpectedRelease)))
			if s.Presence != nil || s.PresenceTime != nil {
				t.Errorf("%v has a presence that nobody sent", s)
			}
		}
		if req.PageToken = page.NextPageToken; req.PageToken == "" {
			break
		}
	}
	if d := cmp.Diff([]string{"oyster-steps/bar-1 1", "tannery-row/bar-1 2", "tannery-row/bar-2 2"}, got); d != "" {
		t.Errorf("stations (-want +got):\n%s", d)
	}
	for _, bad := range []*pb.ListStationsRequest{{PageSize: -1}, {PageToken: "?"}, {PageToken: encodeReleaseToken(3)}, {PageToken: encodeToken(stationToken, "/")}} {
		_, err := h.fleet.ListStations(t.Context(), bad)
		wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST")
	}
}
