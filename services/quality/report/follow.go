package report

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	pageTimeout  = 30 * time.Second
	backoffLeast = 200 * time.Millisecond
	backoffMost  = 5 * time.Second
)

// Filter selects deviations; empty fields select all.
type Filter struct{ Site, Drink string }

func (f Filter) matches(b *pb.Build) bool {
	drinkID := b.GetServing()
	for i := range drinkID {
		if drinkID[i] == '/' {
			drinkID = drinkID[:i]
			break
		}
	}
	return (f.Site == "" || f.Site == b.GetSite()) && (f.Drink == "" || f.Drink == drinkID)
}

// List calls each with every deviation that is counted now, in order.
func List(ctx context.Context, client pb.QualityServiceClient, f Filter, each func(*pb.Deviation) error) error {
	req := &pb.ListDeviationsRequest{PageSize: 1000, Site: f.Site, Drink: f.Drink}
	for {
		page, err := listPage(ctx, client, req)
		if err != nil {
			return err
		}
		for _, d := range page.Deviations {
			if err := each(d); err != nil {
				return err
			}
		}
		if page.NextPageToken == "" {
			return nil
		}
		req.PageToken = page.NextPageToken
	}
}

func listPage(ctx context.Context, client pb.QualityServiceClient, req *pb.ListDeviationsRequest) (*pb.ListDeviationsResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, pageTimeout)
	defer cancel()
	page, err := client.ListDeviations(ctx, req)
	if err != nil {
		return nil, fmt.Errorf("list deviations: %w", err)
	}
	return page, nil
}

// Follow calls each with every deviation counted so far and then with each as
// it is counted, until ctx ends, which is not an error. Once it has been
// connected it connects again by itself and goes on after the last one.
func Follow(ctx context.Context, client pb.QualityServiceClient, f Filter, each func(*pb.Deviation) error) error {
	var after uint64
	connected := false
	wait := backoffLeast
	for {
		began := time.Now()
		err := followOnce(ctx, client, f, &after, &connected, each)
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.As(err, new(*stop)), !connected, !passing(err):
			return fmt.Errorf("follow deviations: %w", err)
		}
		if time.Since(began) > backoffMost {
			wait = backoffLeast
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		wait = min(2*wait, backoffMost)
	}
}

// stop is an error of the caller's own.
type stop struct{ error }

func (s *stop) Unwrap() error { return s.error }

// passing tells errors that another attempt may mend.
func passing(err error) bool {
	return errors.Is(err, io.EOF) || status.Code(err) == codes.Unavailable
}

func followOnce(ctx context.Context, client pb.QualityServiceClient, f Filter, after *uint64, connected *bool, each func(*pb.Deviation) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := client.StreamDeviations(ctx, &pb.StreamDeviationsRequest{AfterCursor: *after}, grpc.WaitForReady(*connected))
	if err != nil {
		return err
	}
	// The service sends its headers as soon as it has taken the call.
	if _, err := stream.Header(); err == nil {
		*connected = true
	}
	for {
		res, err := stream.Recv()
		if err != nil {
			return err
		}
		d := res.GetDeviation()
		*after, *connected = d.GetCursor(), true
		if !f.matches(d.GetBuild()) {
			continue
		}
		if err := each(d); err != nil {
			return &stop{err}
		}
	}
}
