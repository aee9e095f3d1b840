package quality

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/watch"
	"samecup.example/samecup/services/quality/store"
)

const (
	// recentBuilds of each station are kept to point at when a signal comes.
	recentBuilds = 80
	// evidenceBuilds are pointed at, evidencePlace of one station among several.
	evidenceBuilds = 50
	evidencePlace  = 10
)

// seen is what is kept of a build to find it again as evidence.
type seen struct {
	Ref      int64    `json:"r"`
	At       int64    `json:"t"` // ms
	By       string   `json:"b,omitempty"`
	Release  uint64   `json:"v,omitempty"`
	Lots     []string `json:"l,omitempty"`
	Measures []string `json:"m,omitempty"`
	Kinds    []string `json:"f,omitempty"` // of finding
}

// recents are the last builds by "site/station".
type recents struct {
	list  map[string][]seen
	dirty map[string]bool
}

func (r *recents) fill() {
	if r.list == nil {
		r.list, r.dirty = map[string][]seen{}, map[string]bool{}
	}
}

// add keeps a build that tells something: unmeasured ones in spec do not.
func (r *recents) add(ref int64, b *watch.Build) {
	if len(b.Readings) == 0 && len(b.Findings) == 0 {
		return
	}
	r.fill()
	e := seen{Ref: ref, At: b.Started.UnixMilli(), By: b.By, Release: b.Release}
	for _, lot := range []string{b.CoffeeLot, b.MilkLot} {
		if lot != "" {
			e.Lots = append(e.Lots, lot)
		}
	}
	for i := range b.Readings {
		if m := b.Readings[i].Measure; !slices.Contains(e.Measures, m) {
			e.Measures = append(e.Measures, m)
		}
	}
	for i := range b.Findings {
		if k := b.Findings[i].Kind.String(); !slices.Contains(e.Kinds, k) {
			e.Kinds = append(e.Kinds, k)
		}
	}
	key := b.Site + "/" + b.Station
	list := append(r.list[key], e)
	if n := len(list) - recentBuilds; n > 0 {
		list = slices.Delete(list, 0, n)
	}
	r.list[key], r.dirty[key] = list, true
}

// behind lists refs of the builds behind a signal, newest first.
func (r *recents) behind(g *watch.Signal) []int64 {
	places := map[string]bool{}
	for _, w := range g.Where {
		places[w.Site+"/"+w.Station] = true
	}
	if g.Site != "" {
		places[g.Site+"/"+g.Station] = true
	}
	var found []seen
	for key, list := range r.list {
		site, _, _ := strings.Cut(key, "/")
		// A person may work at any station of the site; a place without a
		// station is a whole site, none at all the chain.
		at := places[key] || places[site+"/"] || len(places) == 0 || g.Barista != "" && g.Site == site
		if !at {
			continue
		}
		n := 0
		for i := len(list) - 1; i >= 0; i-- {
			if most := evidenceBuilds; n == most || n == evidencePlace && len(places) != 1 {
				break
			}
			if list[i].fits(g) {
				n++
				found = append(found, list[i])
			}
		}
	}
	slices.SortFunc(found, func(a, b seen) int {
		if a.At != b.At {
			return int(b.At - a.At)
		}
		return int(b.Ref - a.Ref)
	})
	refs := make([]int64, 0, min(len(found), evidenceBuilds))
	for _, e := range found[:min(len(found), evidenceBuilds)] {
		refs = append(refs, e.Ref)
	}
	return refs
}

func (e *seen) fits(g *watch.Signal) bool {
	at := time.UnixMilli(e.At)
	if at.After(g.Seen) || at.Before(g.Began.Truncate(time.Millisecond)) && g.Kind != watch.SignalQuestion {
		return false
	}
	measure, _, _ := strings.Cut(g.Measure, "@")
	kind, _, _ := strings.Cut(g.Finding, " ")
	switch {
	case g.Barista != "" && e.By != g.Barista,
		g.Lot != "" && !slices.Contains(e.Lots, g.Lot),
		kind != "" && g.Kind != watch.SignalQuestion && !slices.Contains(e.Kinds, kind),
		kind == "" && drinkMeasure(measure) && !slices.Contains(e.Measures, measure):
		return false
	}
	return true
}

// drinkMeasure is false for the grinder's dial, which is in no build.
func drinkMeasure(m string) bool { return m != "" && m != "grind_setting" }

// signalRow makes the row of a signal that the cases took.
func (w *caseworker) signalRow(g *watch.Signal, changes []watch.Change) (store.SignalRow, error) {
	row := store.SignalRow{ID: g.ID, Kind: string(g.Kind), Site: g.Site, Seen: g.Seen, Builds: w.recent.behind(g)}
	for _, c := range changes {
		if c.What == "opened" || c.What == "joined" || c.What == "reopened" {
			row.CaseID = c.Case
			break
		}
	}
	var err error
	if row.Body, err = json.Marshal(g); err != nil {
		return row, fmt.Errorf("write signal %s: %w", g.ID, err)
	}
	return row, nil
}
