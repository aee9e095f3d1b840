//go:build !station

package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// whenFlags say when something takes effect at each site.
type whenFlags struct{ on, at string }

func (f *whenFlags) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.on, "on", "", "business day of each site, such as 2026-10-25 (default: at once)")
	cmd.Flags().StringVar(&f.at, "at", "", "on that day: opening, or a time of the site's clock such as 06:30 (default opening)")
}

func (f *whenFlags) parse() (*pb.When, error) { return parseWhen(f.on, f.at) }

// parseWaves reads each --wave. What only the whole of them shows, such as
// shares that do not rise, is the authority's to say.
func parseWaves(texts []string) ([]*pb.Wave, error) {
	var waves []*pb.Wave
	for i, text := range texts {
		w, err := parseWave(strings.TrimSpace(text))
		if err != nil {
			return nil, err
		}
		if i > 0 && waves[i-1].All {
			return nil, exitError{code: 2, msg: fmt.Sprintf("--wave %s: nothing is left after the wave all; put all last", text)}
		}
		waves = append(waves, w)
	}
	return waves, nil
}

func parseWave(text string) (*pb.Wave, error) {
	bad := func(fault string) error {
		return exitError{code: 2, msg: fmt.Sprintf("--wave %q: %s; write sites:tannery-row,lantern-hill, a share such as 20%%, or all", text, fault)}
	}
	if text == "all" {
		return &pb.Wave{All: true}, nil
	}
	if list, ok := strings.CutPrefix(text, "sites:"); ok {
		w := &pb.Wave{}
		seen := map[string]bool{}
		for site := range strings.SplitSeq(list, ",") {
			site = strings.TrimPrefix(strings.TrimSpace(site), "sites/")
			switch {
			case !release.Slug(site):
				return nil, bad(fmt.Sprintf("%q cannot be a site", site))
			case seen[site]:
				return nil, bad(site + " is named twice")
			}
			seen[site] = true
			w.Sites = append(w.Sites, site)
		}
		return w, nil
	}
	share, ok := strings.CutSuffix(text, "%")
	if !ok {
		return nil, bad("is none of the three kinds")
	}
	n, err := strconv.ParseUint(strings.TrimSpace(share), 10, 8)
	if err != nil || n < 1 || n > 99 {
		return nil, bad("a share is a whole number from 1% to 99%")
	}
	return &pb.Wave{SharePercent: int32(n)}, nil
}

func parseAdoption(text string) (pb.AdoptionState, error) {
	v, ok := pb.AdoptionState_value["ADOPTION_STATE_"+strings.ToUpper(strings.ReplaceAll(text, "-", "_"))]
	if !ok || v == 0 {
		return 0, exitError{code: 2, msg: fmt.Sprintf("--state %q: write silent, stale, refused, has-it, in-force or uses-it", text)}
	}
	return pb.AdoptionState(v), nil
}

func rolloutState(s pb.RolloutState) string { return stateWords(s, "ROLLOUT_STATE_") }

func waveWords(w *pb.Wave) string {
	switch {
	case w.All:
		return "all sites"
	case w.SharePercent != 0:
		return fmt.Sprintf("%d %% of the sites", w.SharePercent)
	}
	return strings.Join(w.Sites, ", ")
}

func writeRollout(w io.Writer, r *pb.Rollout) {
	fmt.Fprintf(w, "Rollout of edition %d (draft %s) is %s, %d of %s open; started by %s at %s, to take effect %s.\n", r.Edition, orDash(shortName(r.Draft)),
		rolloutState(r.State), r.OpenWaves, count(len(r.Waves), "wave"), orDash(r.Author), clock(r.CreateTime), whenWords(r.When))
	if r.Reason != "" {
		fmt.Fprintf(w, "Reason: %s\n", r.Reason)
	}
	if r.Replaces != "" {
		fmt.Fprintf(w, "It took the place of edition %s, whose rollout was halted.\n", shortName(r.Replaces))
	}
	switch r.State {
	case pb.RolloutState_ROLLOUT_STATE_REPLACED:
		fmt.Fprintf(w, "Edition %s took its place.\n", shortName(r.ReplacedBy))
	case pb.RolloutState_ROLLOUT_STATE_HALTED:
		fmt.Fprintf(w, "From here: samecup rollout resume, or samecup rollout back, or a mended draft with samecup rollout start DRAFT --replaces %d.\n", r.Edition)
	}
	if r.TrainingPercent > 0 {
		fmt.Fprintf(w, "A site waits until %d %% of its people acknowledged the cards.\n", r.TrainingPercent)
	}
	var rows [][]any
	for i, v := range r.Waves {
		opened := "not yet"
		if v.OpenTime != nil {
			opened = clock(v.OpenTime)
		}
		sites := waveWords(v)
		if i == 0 && r.Replaces != "" && !v.All {
			sites += ", and those left on a halted edition"
		}
		rows = append(rows, []any{i + 1, sites, opened, len(v.ReachedSites), strings.Join(v.WaitingSites, ", ")})
	}
	grid(w, "WAVE|SITES|OPENED|REACHED|WAITING FOR TRAINING", "It has no waves.", rows)
	if p := r.Report; p != nil {
		fmt.Fprintf(w, "The test says: %s. %s\n", stateWords(p.Advice, "WAVE_ADVICE_"), p.Text)
		if line := courseWords(r.Course); line != "" {
			fmt.Fprintln(w, line)
		}
	}
	for _, rel := range r.Releases {
		fmt.Fprintf(w, "release %d for %s, digest %.12x\n", rel.Number, rel.Scope, rel.Digest)
	}
	if len(r.NeedsRebase) > 0 {
		fmt.Fprintf(w, "Overlays that need rebasing, so that their sites stay on what they have: %s\n", strings.Join(r.NeedsRebase, ", "))
	}
	if a := r.Adoption; a != nil {
		fmt.Fprintln(w, adoptionWords(a)+".")
	}
}

// courseWords tell in a line where the test stands and how often it was looked at.
func courseWords(course []*pb.WavePoint) string {
	n := len(course)
	if n == 0 {
		return ""
	}
	p := course[n-1]
	own, other := p.OwnPast, p.OtherSites
	since := "looked at once"
	if n > 1 {
		since = fmt.Sprintf("%d looks since %s", n, clock(course[0].LookTime))
	}
	return fmt.Sprintf("After %s in the open waves it stands at %.2f against their own past and at %.2f against the other sites; below %.2f is go on, above %.2f roll back (%s).",
		count(own.GetWaveBuilds(), "build"), own.GetLogLikelihoodRatio(), other.GetLogLikelihoodRatio(), own.GetLowerBound(), own.GetUpperBound(), since)
}

// adoptionWords sums stations up; those that use it have it.
func adoptionWords(a *pb.AdoptionCounts) string {
	return fmt.Sprintf("of %s, %d have it (%d use it), %d stale, %d refused, %d silent", count(a.Expected, "station"), a.HasIt, a.UsesIt, a.Stale, a.Refused, a.Silent)
}
