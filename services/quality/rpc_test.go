package quality

import (
	"context"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestListDeviationsInPages(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b, other := newBar(t, "tannery-row", "bar-1"), newBar(t, "lantern-hill", "bar-1")
	for range 5 {
		r.deviation(b, b.log(fast))
		r.deviation(other, other.log(fast))
	}
	r.drained()
	req := &pb.ListDeviationsRequest{PageSize: 2, Site: "tannery-row", Drink: "latte"}
	var seen, pages int
	for last := uint64(0); ; {
		res, err := r.client.ListDeviations(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		pages++
		for _, d := range res.Deviations {
			if d.Cursor <= last || d.Build.Site != "tannery-row" {
				t.Errorf("deviation %d of %s after %d", d.Cursor, d.Build.Site, last)
			}
			last = d.Cursor
			seen++
		}
		if res.NextPageToken == "" {
			break
		}
		req.PageToken = res.NextPageToken
	}
	if seen != 5 || pages != 3 {
		t.Errorf("%d deviations in %d pages; want 5 in 3", seen, pages)
	}
	for _, bad := range []*pb.ListDeviationsRequest{
		{PageSize: -1}, {PageSize: maxPage + 1}, {PageToken: "?"}, {PageToken: "bm90IGpzb24"},
		{PageToken: req.PageToken, Site: "oyster-steps"},
	} {
		if _, err := r.client.ListDeviations(t.Context(), bad); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%v: %v; want INVALID_ARGUMENT", bad, err)
		}
	}
	if _, err := r.client.GetBuild(t.Context(), &pb.GetBuildRequest{Id: "nobody"}); status.Code(err) != codes.NotFound {
		t.Errorf("a build that is not here: %v; want NOT_FOUND", err)
	}
	if _, err := r.client.GetBuild(t.Context(), &pb.GetBuildRequest{}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("no id: %v; want INVALID_ARGUMENT", err)
	}
}

func TestStreamDeviationsCatchesUpAndFollows(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	const before = streamPage + 20
	var records [][]byte
	for range before {
		records = append(records, b.log(fast))
	}
	r.builds(b, records...)
	r.drained()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	stream, err := r.client.StreamDeviations(ctx, &pb.StreamDeviationsRequest{AfterCursor: 7})
	if err != nil {
		t.Fatal(err)
	}
	next := func(want uint64) {
		t.Helper()
		res, err := stream.Recv()
		if err != nil {
			t.Fatalf("deviation %d: %v", want, err)
		}
		if res.Deviation.Cursor != want {
			t.Fatalf("cursor %d; want %d", res.Deviation.Cursor, want)
		}
	}
	for c := uint64(8); c <= before; c++ {
		next(c)
	}
	for c := uint64(before + 1); c <= before+50; c++ {
		r.deviation(b, b.log(fast))
		next(c)
	}
	r.stop()
	if _, err := stream.Recv(); err == nil {
		t.Error("the stream goes on after the service has stopped")
	}
}

func TestStreamDeviationsFromNow(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(fast), b.log(fast))
	r.drained()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	stream, err := r.client.StreamDeviations(ctx, &pb.StreamDeviationsRequest{FromNow: true})
	if err != nil {
		t.Fatal(err)
	}
	res, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if res.Deviation != nil || res.Cursor != 2 {
		t.Errorf("first: %v; want cursor 2 alone", res)
	}
	r.deviation(b, b.log(fast))
	if res, err = stream.Recv(); err != nil {
		t.Fatal(err)
	}
	if res.Deviation.GetCursor() != 3 || res.Cursor != 3 {
		t.Errorf("then: %v; want deviation 3", res)
	}
	stream, err = r.client.StreamDeviations(ctx, &pb.StreamDeviationsRequest{FromNow: true, AfterCursor: 1})
	if err == nil {
		_, err = stream.Recv()
	}
	if status.Code(err) != codes.InvalidArgument {
		t.Errorf("from now beside a cursor: %v; want INVALID_ARGUMENT", err)
	}
}

func TestACorrectedDeviationSaysSo(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	original := b.record(fast)
	first := b.write(original)
	correction := b.record(func(d *drink.Build) { d.Corrects = original.Build.Id })
	r.builds(b, first, b.write(correction))
	r.drained()
	res, err := r.client.ListDeviations(t.Context(), &pb.ListDeviationsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Deviations) != 1 || res.Deviations[0].CorrectedBy != correction.Build.Id {
		t.Errorf("got %v, want one deviation that %s corrected", res.Deviations, correction.Build.Id)
	}
}
