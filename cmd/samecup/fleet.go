//go:build !station

package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func siteCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "site",
		Short: "Sites of the chain",
		Example: `  samecup site add tannery-row --name "Tannery Row" --region north --time-zone Europe/London
  samecup site change tannery-row --people 9`,
	}
	cmd.AddCommand(siteAddCommand(), siteChangeCommand(), siteListCommand())
	return cmd
}

// siteFlags are the facts of a site that a command sets.
func siteFlags(cmd *cobra.Command, site *pb.Site, opening *[]string) {
	f := cmd.Flags()
	f.StringVar(&site.Name, "name", "", "name that people read; for a new site its id where none is given")
	f.StringVar(&site.Region, "region", "", "slug of the region; none for a site that follows the chain alone")
	f.StringVar(&site.TimeZone, "time-zone", "", "IANA time zone, such as Europe/London; for a new site UTC where none is given")
	f.StringSliceVar(opening, "opening", nil, "opening of each weekday by the wall clock, Monday first, such as 06:30,06:30,06:30,06:30,06:30,08:00,closed; for a new site 05:00 every day where none is given")
	f.Int32Var(&site.PeopleCount, "people", 0, "how many people work the bar; 0 where nobody said")
}

// parseOpening reads the seven openings of a week; none means the default.
func parseOpening(days []string) (minutes []int32, err error) {
	if len(days) != 0 && len(days) != 7 {
		return nil, exitError{code: 2, msg: fmt.Sprintf("--opening has %d days; write seven from Monday, such as 06:30,06:30,06:30,06:30,06:30,08:00,closed", len(days))}
	}
	for _, d := range days {
		d = strings.TrimSpace(d)
		t, err := time.Parse("15:04", d)
		switch {
		case d == "closed":
			minutes = append(minutes, -1)
		case err != nil:
			return nil, exitError{code: 2, msg: fmt.Sprintf("--opening holds %q; write closed, or a time of the wall clock from 00:00 to 23:59", d)}
		default:
			minutes = append(minutes, int32(t.Hour()*60+t.Minute())) //nolint:gosec // below 1440
		}
	}
	return minutes, nil
}

func siteAddCommand() *cobra.Command {
	var a ask
	var opening []string
	site := &pb.Site{}
	cmd := &cobra.Command{
		Use:     "add SITE",
		Short:   "Add a site; the same one again is no error",
		Example: `  samecup site add tannery-row --name "Tannery Row" --region north --time-zone Europe/London`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			site.Id = args[0]
			site.Name, site.TimeZone = cmp.Or(site.Name, site.Id), cmp.Or(site.TimeZone, "UTC")
			if site.OpeningMinutes, err = parseOpening(opening); err != nil {
				return err
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewFleetServiceClient(cc).CreateSite(ctx, &pb.CreateSiteRequest{RequestId: a.id(), Site: site})
				return said(res.GetSite(), "site %s is known", site.Id), err
			})
		},
	}
	a.writes(cmd)
	siteFlags(cmd, site, &opening)
	return cmd
}

func siteChangeCommand() *cobra.Command {
	var a ask
	var opening []string
	site := &pb.Site{}
	cmd := &cobra.Command{
		Use:   "change SITE",
		Short: "Change a site's name, region, time zone, hours or people",
		Long: `Changes what is given and leaves the rest. What the site follows is worked out anew:
by its new region, and at its new hours. Stations need nothing for another time zone
or other hours. For another region each gets a signed word of it over the bus, at
once or as it comes back; until then it follows what it followed. "samecup stations"
tells which hold theirs.`,
		Example: `  samecup site change tannery-row --people 9
  samecup site change tannery-row --region harbour --time-zone Europe/Lisbon`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			site.Id = strings.TrimPrefix(args[0], "sites/")
			mask := &fieldmaskpb.FieldMask{}
			for flag, field := range map[string]string{"name": "name", "region": "region", "time-zone": "time_zone", "opening": "opening_minutes", "people": "people_count"} {
				if cmd.Flags().Changed(flag) {
					mask.Paths = append(mask.Paths, field)
				}
			}
			if len(mask.Paths) == 0 {
				return exitError{code: 2, msg: "nothing to change: give --name, --region, --time-zone, --opening or --people"}
			}
			if site.OpeningMinutes, err = parseOpening(opening); err != nil {
				return err
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewFleetServiceClient(cc).UpdateSite(ctx, &pb.UpdateSiteRequest{RequestId: a.id(), Site: site, UpdateMask: mask})
				return one(res, func(w io.Writer) { writeSiteChanged(w, res) }), err
			})
		},
	}
	a.writes(cmd)
	siteFlags(cmd, site, &opening)
	return cmd
}

func writeSiteChanged(w io.Writer, res *pb.UpdateSiteResponse) {
	v := res.Site
	fmt.Fprintf(w, "site %s is %s, in region %s, in time zone %s\n", v.Id, v.Name, orDash(v.Region), v.TimeZone)
	if len(res.MovingStations) > 0 {
		fmt.Fprintf(w, "its stations follow that region as soon as they hear of it: %s\n", strings.Join(res.MovingStations, ", "))
	}
}

func siteListCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the sites",
		Example: `  samecup site list`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				all, err := pages(func(token string) ([]*pb.Site, string, error) {
					res, err := pb.NewFleetServiceClient(cc).ListSites(ctx, &pb.ListSitesRequest{PageSize: 1000, PageToken: token})
					return res.GetSites(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, s := range all {
						rows = append(rows, []any{s.Id, s.Name, s.Region, s.TimeZone, openingWords(s.OpeningMinutes), s.PeopleCount})
					}
					grid(w, "SITE|NAME|REGION|TIME ZONE|OPENS, FROM MONDAY|PEOPLE", "There is no site yet.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func openingWords(minutes []int32) string {
	if len(minutes) == 0 {
		return "05:00"
	}
	var out []string
	for _, m := range minutes {
		if m < 0 {
			out = append(out, "closed")
		} else {
			out = append(out, fmt.Sprintf("%02d:%02d", m/60, m%60))
		}
	}
	return strings.Join(out, " ")
}

func stationCodeCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "station-code SITE STATION",
		Short: "Make a code, good once within 15 minutes, with which a station enrols",
		Long: `Make a code, good once within 15 minutes, with which a station enrols.

Prints the code alone on standard output, so that a script can take it, and
until when it is good on standard error. A new code voids the one before.`,
		Example: `  samecup station-code tannery-row bar-1`,
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewFleetServiceClient(cc).CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{RequestId: a.id(), Site: args[0], Station: args[1]})
				switch {
				case err != nil:
					return answer{}, err
				case res.Code == "":
					return answer{}, errors.New("this request was answered before, and the code was in that answer only; ask for another one without --request-id")
				case !a.json:
					fmt.Fprintf(cmd.ErrOrStderr(), "good once until %s\n", clock(res.ExpireTime))
				}
				return said(res, "%s", res.Code), nil
			})
		},
	}
	a.writes(cmd)
	return cmd
}

func stationsCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "stations",
		Short: "List the stations and what each last said of itself",
		Long: `Lists the stations and what each last said of itself. PLACEMENT is due where a
station was not heard to hold the newest word on the region that its site lies in.`,
		Example: `  samecup stations --to 127.0.0.1:7100`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				all, err := pages(func(token string) ([]*pb.Station, string, error) {
					res, err := pb.NewFleetServiceClient(cc).ListStations(ctx, &pb.ListStationsRequest{PageSize: 1000, PageToken: token})
					return res.GetStations(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, s := range all {
						p := s.Presence // its getters answer for an absent one
						rows = append(rows, []any{s.Site, s.Station, number(p.GetRelease()), number(p.GetNextRelease()), number(s.ExpectedRelease),
							p.GetOutboxDepth(), clock(p.GetLastBuildTime()), len(p.GetRefusals()), placementWord(s), clock(s.PresenceTime)})
					}
					grid(w, "SITE|STATION|IN FORCE|NEXT|EXPECTED|WAITING|LAST BUILD|REFUSED|PLACEMENT|HEARD", "No station is enrolled yet.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

// placementWord tells whether a station knows in which region it stands.
func placementWord(s *pb.Station) string {
	switch {
	case s.Presence == nil:
		return "-"
	case s.PlacementDue:
		return "due"
	}
	return "held"
}

func releasesCommand() *cobra.Command {
	var a ask
	var most int
	cmd := &cobra.Command{
		Use:     "releases",
		Short:   "List the releases, newest first",
		Example: `  samecup releases --most 20`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				left := most
				all, err := pages(func(token string) ([]*pb.ReleaseInfo, string, error) {
					if left <= 0 {
						return nil, "", nil
					}
					res, err := pb.NewBookServiceClient(cc).ListReleases(ctx, &pb.ListReleasesRequest{PageSize: int32(min(left, 500)), PageToken: token}) //nolint:gosec // at most 500
					left -= len(res.GetReleases())
					return res.GetReleases(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, r := range all {
						rows = append(rows, []any{r.Number, r.Scope, clock(r.EffectiveTime), r.ServingCount, fmt.Sprintf("%.12x", r.Digest), r.Author, r.Note})
					}
					grid(w, "RELEASE|SCOPE|IN FORCE FROM|SERVINGS|DIGEST|AUTHOR|NOTE", "Nothing was released yet.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
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
