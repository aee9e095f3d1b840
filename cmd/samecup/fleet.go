package main

import (
	"cmp"
	"context"
	"fmt"
	"strconv"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func siteCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "site", Short: "Sites of the chain"}
	cmd.AddCommand(siteAddCommand())
	return cmd
}

func siteAddCommand() *cobra.Command {
	var to string
	site := &pb.Site{}
	cmd := &cobra.Command{
		Use:     "add SITE",
		Short:   "Add a site; the same one again is no error",
		Example: `  samecup site add tannery-row --name "Tannery Row" --region north --time-zone Europe/London`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			site.Id = args[0]
			site.Name = cmp.Or(site.Name, site.Id)
			return withAuthority(to, func(cc *grpc.ClientConn) error {
				ctx, cancel := context.WithTimeout(cmd.Context(), callWait)
				defer cancel()
				_, err := pb.NewFleetServiceClient(cc).CreateSite(ctx, &pb.CreateSiteRequest{Site: site}, grpc.WaitForReady(true))
				if err != nil {
					return callError(err)
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "site %s is known\n", site.Id)
				return err
			})
		},
	}
	toFlag(cmd, &to)
	f := cmd.Flags()
	f.StringVar(&site.Name, "name", "", "name that people read (default: the id)")
	f.StringVar(&site.Region, "region", "", "slug of the region; none for a site that follows the chain alone")
	f.StringVar(&site.TimeZone, "time-zone", "UTC", "IANA time zone")
	return cmd
}

func stationCodeCommand() *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use:   "station-code SITE STATION",
		Short: "Make a code, good once within 15 minutes, with which a station enrols",
		Long: `Make a code, good once within 15 minutes, with which a station enrols.

Prints the code alone on standard output, so that a script can take it, and
until when it is good on standard error. A new code voids the one before.`,
		Example: `  samecup station-code tannery-row bar-1`,
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withAuthority(to, func(cc *grpc.ClientConn) error {
				ctx, cancel := context.WithTimeout(cmd.Context(), callWait)
				defer cancel()
				res, err := pb.NewFleetServiceClient(cc).CreateEnrolment(ctx,
					&pb.CreateEnrolmentRequest{Site: args[0], Station: args[1]}, grpc.WaitForReady(true))
				if err != nil {
					return callError(err)
				}
				fmt.Fprintf(cmd.ErrOrStderr(), "good once until %s\n", clock(res.ExpireTime))
				_, err = fmt.Fprintln(cmd.OutOrStdout(), res.Code)
				return err
			})
		},
	}
	toFlag(cmd, &to)
	return cmd
}

func stationsCommand() *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use:     "stations",
		Short:   "List the stations and what each last said of itself",
		Example: `  samecup stations --to 127.0.0.1:7100`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withAuthority(to, func(cc *grpc.ClientConn) error {
				w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(w, "SITE\tSTATION\tIN FORCE\tNEXT\tEXPECTED\tWAITING\tLAST BUILD\tREFUSED\tHEARD")
				req := &pb.ListStationsRequest{PageSize: 1000}
				for {
					ctx, cancel := context.WithTimeout(cmd.Context(), callWait)
					page, err := pb.NewFleetServiceClient(cc).ListStations(ctx, req, grpc.WaitForReady(true))
					cancel()
					if err != nil {
						return callError(err)
					}
					for _, s := range page.Stations {
						p := s.Presence // its getters answer for an absent one
						fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%d\t%s\t%d\t%s\n", s.Site, s.Station,
							number(p.GetRelease()), number(p.GetNextRelease()), number(s.ExpectedRelease),
							p.GetOutboxDepth(), clock(p.GetLastBuildTime()), len(p.GetRefusals()), clock(s.PresenceTime))
					}
					if req.PageToken = page.NextPageToken; req.PageToken == "" {
						return w.Flush()
					}
				}
			})
		},
	}
	toFlag(cmd, &to)
	return cmd
}

func releasesCommand() *cobra.Command {
	var to string
	var most int
	cmd := &cobra.Command{
		Use:     "releases",
		Short:   "List the releases, newest first",
		Example: `  samecup releases --most 20`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withAuthority(to, func(cc *grpc.ClientConn) error {
				w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(w, "RELEASE\tSCOPE\tIN FORCE FROM\tSERVINGS\tDIGEST\tAUTHOR\tNOTE")
				req := &pb.ListReleasesRequest{}
				for left := most; left > 0; {
					req.PageSize = int32(min(left, 500))
					ctx, cancel := context.WithTimeout(cmd.Context(), callWait)
					page, err := pb.NewBookServiceClient(cc).ListReleases(ctx, req, grpc.WaitForReady(true))
					cancel()
					if err != nil {
						return callError(err)
					}
					for _, r := range page.Releases {
						fmt.Fprintf(w, "%d\t%s\t%s\t%d\t%.12x\t%s\t%s\n", r.Number, r.Scope, clock(r.EffectiveTime),
							r.ServingCount, r.Digest, r.Author, r.Note)
					}
					left -= len(page.Releases)
					if req.PageToken = page.NextPageToken; req.PageToken == "" {
						break
					}
				}
				return w.Flush()
			})
		},
	}
	toFlag(cmd, &to)
	cmd.Flags().IntVar(&most, "most", 50, "how many at most")
	return cmd
}

// number writes a release's number, and a dash for none.
func number(n uint64) string {
	if n == 0 {
		return "-"
	}
	return strconv.FormatUint(n, 10)
}

// clock writes a time in UTC to the second, and a dash for none.
func clock(t *timestamppb.Timestamp) string {
	if t == nil {
		return "-"
	}
	return t.AsTime().Format(time.RFC3339)
}
