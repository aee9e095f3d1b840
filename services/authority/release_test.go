package authority

import (
	"bytes"
	"crypto/ed25519"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestPublishGoodBook(t *testing.T) {
	h := start(t)
	res := h.publish(t, request(bookFiles(t)))
	if r := res.Release; r.Number != 1 || r.Scope != "chain" || r.ServingCount == 0 || r.Chain != "Harbour & Finch" ||
		r.Note != "Spring menu" || r.Author != "ada" {
		t.Errorf("release is %v", r)
	}
	for _, p := range res.Problems {
		if p.Level == "error" {
			t.Errorf("published in spite of %v", p)
		}
	}
	msgs := h.stream(t, "chain")
	if len(msgs) != 1 {
		t.Fatalf("%d messages on the stream, want 1", len(msgs))
	}
	v, err := release.Verify(msgs[0], []ed25519.PublicKey{h.PublicKey()})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(v.Digest[:], res.Release.Digest) {
		t.Errorf("digest on the stream %x, answered %x", v.Digest, res.Release.Digest)
	}
	if d := cmp.Diff(res.Release.EffectiveTime, v.Release.EffectiveTime, protocmp.Transform()); d != "" {
		t.Errorf("effective time (-answered +signed):\n%s", d)
	}
	if _, err := wire.BookFromProto(v.Release.Book); err != nil {
		t.Errorf("signed book: %v", err)
	}

	got, err := h.books.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 1})
	if err != nil {
		t.Fatal(err)
	}
	var sent pb.Envelope
	if err := proto.Unmarshal(msgs[0], &sent); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(&sent, got.Envelope, protocmp.Transform()); d != "" {
		t.Errorf("envelope (-stream +GetRelease):\n%s", d)
	}
	if d := cmp.Diff(res.Release, got.Release, protocmp.Transform()); d != "" {
		t.Errorf("info (-created +got):\n%s", d)
	}
	_, err = h.books.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 2})
	wantStatus(t, err, codes.NotFound, "RELEASE_NOT_FOUND")
	_, err = h.books.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 1<<64 - 1})
	wantStatus(t, err, codes.NotFound, "RELEASE_NOT_FOUND")
}

func TestPublishRefuses(t *testing.T) {
	h := start(t)
	with := func(path, old, new string) map[string][]byte {
		files := bookFiles(t)
		if !bytes.Contains(files[path], []byte(old)) {
			t.Fatalf("%s does not contain %q", path, old)
		}
		files[path] = bytes.Replace(files[path], []byte(old), []byte(new), 1)
		return files
	}
	edit := func(f func(*pb.CreateReleaseRequest)) *pb.CreateReleaseRequest {
		req := request(bookFiles(t))
		f(req)
		return req
	}
	for _, c := range []struct {
		name   string
		req    *pb.CreateReleaseRequest
		code   codes.Code
		reason string
		field  string // part of one violation's field
	}{
		{"a vessel that is not there", request(with("drinks/latte.yaml", "vessel: ", "vessel: no-")),
			codes.FailedPrecondition, "BOOK_HAS_ERRORS", "drinks/latte.yaml:"},
		{"an unknown field", request(with("house.yaml", "chain:", "chian: x\nchain:")),
			codes.FailedPrecondition, "BOOK_HAS_ERRORS", "house.yaml:"},
		{"not YAML", request(with("house.yaml", "chain:", "chain: [\n")),
			codes.InvalidArgument, "BAD_REQUEST", "house.yaml:"},
		{"no files", request(nil), codes.InvalidArgument, "BAD_REQUEST", "files"},
		{"a path upwards", edit(func(r *pb.CreateReleaseRequest) { r.Files[0].Path = "../house.yaml" }),
			codes.InvalidArgument, "BAD_REQUEST", "files[0].path"},
		{"a path twice", edit(func(r *pb.CreateReleaseRequest) { r.Files[1].Path = r.Files[0].Path }),
			codes.InvalidArgument, "BAD_REQUEST", "files[1].path"},
		{"no UUID", edit(func(r *pb.CreateReleaseRequest) { r.RequestId = "7" }),
			codes.InvalidArgument, "BAD_REQUEST", "request_id"},
		{"no scope", edit(func(r *pb.CreateReleaseRequest) { r.Scope = "planet" }),
			codes.InvalidArgument, "BAD_REQUEST", "scope"},
		{"a site that is not there", edit(func(r *pb.CreateReleaseRequest) { r.Scope = "site.nowhere" }),
			codes.FailedPrecondition, "SCOPE_UNKNOWN", "scope"},
		{"a region that is not there", edit(func(r *pb.CreateReleaseRequest) { r.Scope = "region.nowhere" }),
			codes.FailedPrecondition, "SCOPE_UNKNOWN", "scope"},
		{"an impossible time", edit(func(r *pb.CreateReleaseRequest) { r.EffectiveTime = &timestamppb.Timestamp{Seconds: 1 << 60} }),
			codes.InvalidArgument, "BAD_REQUEST", "effective_time"},
		{"a note of two lines", edit(func(r *pb.CreateReleaseRequest) { r.Note = "a\nb" }),
			codes.InvalidArgument, "BAD_REQUEST", "note"},
		{"a long author", edit(func(r *pb.CreateReleaseRequest) { r.Author = strings.Repeat("é", maxNameRunes+1) }),
			codes.InvalidArgument, "BAD_REQUEST", "author"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := h.books.CreateRelease(t.Context(), c.req)
			fields := wantStatus(t, err, c.code, c.reason)
			if !hasField(fields, c.field) {
				t.Errorf("violations %v name no field with %q", fields, c.field)
			}
		})
	}
	list, err := h.books.ListReleases(t.Context(), &pb.ListReleasesRequest{})
	if err != nil || len(list.Releases) != 0 {
		t.Errorf("stored in spite of errors: %v, %v", list, err)
	}
	if msgs := h.stream(t, "chain"); len(msgs) != 0 {
		t.Errorf("%d messages published in spite of errors", len(msgs))
	}
	// And the authority still works, with no number used up.
	if n := h.publish(t, request(bookFiles(t))).Release.Number; n != 1 {
		t.Errorf("first number is %d, want 1", n)
	}
}

func TestOversizedReleaseIsRefused(t *testing.T) {
	h := start(t)
	h.maxEnvelope = 4 << 10
	_, err := h.books.CreateRelease(t.Context(), request(bookFiles(t)))
	wantStatus(t, err, codes.FailedPrecondition, "RELEASE_TOO_LARGE")
	if msgs := h.stream(t, "chain"); len(msgs) != 0 {
		t.Errorf("%d messages published", len(msgs))
	}
	req := request(map[string][]byte{"house.yaml": bytes.Repeat([]byte("a"), maxFileBytes+1)})
	_, err = h.books.CreateRelease(t.Context(), req)
	if fields := wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST"); !hasField(fields, "files") {
		t.Errorf("violations are %v", fields)
	}
}

func TestCheckBookPublishesNothing(t *testing.T) {
	h := start(t)
	files := bookFiles(t)
	res, err := h.books.CheckBook(t.Context(), &pb.CheckBookRequest{Files: request(files).Files})
	if err != nil || res.ServingCount == 0 {
		t.Fatalf("CheckBook: %v, %v", res, err)
	}
	files["house.yaml"] = []byte("not a book")
	res, err = h.books.CheckBook(t.Context(), &pb.CheckBookRequest{Files: request(files).Files})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(res.Problems, func(p *pb.Problem) bool { return p.Level == "error" && p.File == "house.yaml" && p.Text != "" }) {
		t.Errorf("problems are %v", res.Problems)
	}
	if msgs := h.stream(t, "chain"); len(msgs) != 0 {
		t.Errorf("%d messages published", len(msgs))
	}
}

func TestRequestIDMakesOneRelease(t *testing.T) {
	h := start(t)
	req := request(bookFiles(t))
	first := h.publish(t, req)
	h.clock.forward(time.Hour)
	again := proto.CloneOf(req)
	slices.Reverse(again.Files)
	again.RequestId = strings.ToUpper(again.RequestId)
	if d := cmp.Diff(first, h.publish(t, again), protocmp.Transform()); d != "" {
		t.Errorf("second answer (-first +second):\n%s", d)
	}
	if n := len(h.stream(t, "chain")); n != 1 {
		t.Errorf("%d messages on the stream, want 1", n)
	}
	for name, change := range map[string]func(*pb.CreateReleaseRequest){
		"note":      func(r *pb.CreateReleaseRequest) { r.Note = "Summer menu" },
		"author":    func(r *pb.CreateReleaseRequest) { r.Author = "bob" },
		"effective": func(r *pb.CreateReleaseRequest) { r.EffectiveTime = timestamppb.New(h.clock.now()) },
		"file":      func(r *pb.CreateReleaseRequest) { r.Files[0].Content = append(r.Files[0].Content, '\n') },
	} {
		other := proto.CloneOf(req)
		change(other)
		_, err := h.books.CreateRelease(t.Context(), other)
		t.Run("another "+name, func(t *testing.T) { wantStatus(t, err, codes.AlreadyExists, "REQUEST_REUSED") })
	}
}

func TestConcurrentReleasesRiseOnTheStream(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	scopes := []string{"chain", "region.north", "site.tannery-row"}
	const n = 12
	files := bookFiles(t)
	numbers := make([]uint64, n)
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			req := request(files)
			req.Scope = scopes[i%len(scopes)]
			res, err := h.books.CreateRelease(t.Context(), req)
			if err != nil {
				t.Errorf("CreateRelease %d: %v", i, err)
				return
			}
			numbers[i] = res.Release.Number
		})
	}
	wg.Wait()
	slices.Sort(numbers)
	for i, got := range numbers {
		if got != uint64(i+1) {
			t.Fatalf("numbers are %v, want 1 to %d", numbers, n)
		}
	}
	total := 0
	for _, scope := range scopes {
		last := uint64(0)
		for _, raw := range h.stream(t, scope) {
			v, err := release.Verify(raw, []ed25519.PublicKey{h.PublicKey()})
			if err != nil {
				t.Fatal(err)
			}
			if v.Release.Scope != scope || v.Release.Number <= last {
				t.Errorf("release %d of %s follows %d on %s", v.Release.Number, v.Release.Scope, last, scope)
			}
			last = v.Release.Number
			total++
		}
	}
	if total != n {
		t.Errorf("%d messages on the stream, want %d", total, n)
	}
}

func TestListReleasesPages(t *testing.T) {
	h := start(t)
	files := bookFiles(t)
	for range 5 {
		h.publish(t, request(files))
	}
	var got []uint64
	req := &pb.ListReleasesRequest{PageSize: 2}
	for pages := 0; ; pages++ {
		page, err := h.books.ListReleases(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range page.Releases {
			got = append(got, r.Number)
		}
		if req.PageToken = page.NextPageToken; req.PageToken == "" {
			if pages != 2 {
				t.Errorf("%d pages, want 3", pages+1)
			}
			break
		}
	}
	if !slices.Equal(got, []uint64{5, 4, 3, 2, 1}) {
		t.Errorf("listed %v", got)
	}
	for _, bad := range []*pb.ListReleasesRequest{
		{PageSize: -1}, {PageToken: "x"}, {PageToken: encodeStationToken(key("a", "b"))},
		{PageToken: encodeToken(releaseToken, "-1")}, {PageToken: encodeToken(releaseToken, "0")},
	} {
		_, err := h.books.ListReleases(t.Context(), bad)
		t.Run(fmt.Sprint(bad), func(t *testing.T) { wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST") })
	}
}
