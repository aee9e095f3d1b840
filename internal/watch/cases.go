package watch

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/verdict"
)

// Stage is how far a case has come.
type Stage string

// The stages, in order; a case that comes back is Open again.
const (
	StageOpen      Stage = "open"
	StageContained Stage = "contained"
	StageFixStated Stage = "fix_stated"
	StageWatching  Stage = "watching"
	StageClosed    Stage = "closed"
)

const (
	evidenceMost = 40                  // signals kept in full for a case
	joinWithin   = 7 * 24 * time.Hour  // a signal so long after the last joins a case
	reopenWithin = 60 * 24 * time.Hour // and so long after closing opens it again
	closedKept   = 90 * 24 * time.Hour
	casesMost    = 5000
)

// Case is one thing that is wrong, however many signals told of it.
type Case struct {
	ID     string `json:"id"`
	Number int    `json:"number"`
	Key    string `json:"key"`
	// Domain is what the signals have in common: coffee, milk, syrup, steps,
	// safety, log, or a measure.
	Domain string `json:"domain"`
	Title  string `json:"title"`
	Stage  Stage  `json:"stage"`
	// Safety cases come first on the morning page; Allergen ones before them.
	Safety   bool      `json:"safety"`
	Allergen bool      `json:"allergen"`
	Opened   time.Time `json:"opened"`
	Began    time.Time `json:"began"` // earliest estimated beginning
	Last     time.Time `json:"last"`  // latest signal
	// Kinds, Directions (by measure), Stations and Sites sum the signals up.
	Kinds      map[SignalKind]int `json:"kinds"`
	Directions map[string]int     `json:"directions"`
	Stations   map[string]int     `json:"stations"`
	Sites      map[string]int     `json:"sites"`
	Signals    int                `json:"signals"`
	Repeats    int                `json:"repeats"` // builds of one release with the same allergen finding
	Evidence   []Signal           `json:"evidence"`
	Suspects   []Suspect          `json:"suspects"`
	Owner      string             `json:"owner"`
	Advice     string             `json:"advice"` // how to contain it
	Contained  string             `json:"contained,omitempty"`
	Fix        *Fix               `json:"fix,omitempty"`
	Reopened   int                `json:"reopened"`
	ClosedAt   time.Time          `json:"closed_at"`
	Merged     string             `json:"merged,omitempty"` // into which case
	Tests      []Test             `json:"tests,omitempty"`
	History    []Entry            `json:"history"`
}

// Fix is what was found and done.
type Fix struct {
	Cause      Cause     `json:"cause"`
	What       string    `json:"what"` // the cause in words
	Done       string    `json:"done"`
	Prevention string    `json:"prevention"`
	At         time.Time `json:"at"`
}

// Entry is one line of a case's history.
type Entry struct {
	At   time.Time `json:"at"`
	Who  string    `json:"who"`
	What string    `json:"what"`
}

// Change tells what a step did to a case.
type Change struct {
	Case string `json:"case"`
	What string `json:"what"` // opened, joined, reopened, merged, watching
}

// Cases is a pure state machine over what the watch yields and what people
// say. It is not safe for concurrent use.
type Cases struct {
	list map[string]*Case
	next int
	// last deliveries by site, for the suspicion of cups.
	cups map[string]time.Time
}

// NewCases makes an empty set.
func NewCases() *Cases {
	return &Cases{list: map[string]*Case{}, cups: map[string]time.Time{}}
}

type casesSnapshot struct {
	Version int                  `json:"version"`
	Next    int                  `json:"next"`
	List    []*Case              `json:"cases"`
	Cups    map[string]time.Time `json:"cups"`
}

// Snapshot is all cases as JSON.
func (c *Cases) Snapshot() ([]byte, error) {
	s := casesSnapshot{Version: snapshotVersion, Next: c.next, Cups: c.cups}
	for _, k := range sortedKeys(c.list) {
		s.List = append(s.List, c.list[k])
	}
	data, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("watch: write cases: %w", err)
	}
	return data, nil
}

// RestoreCases reads a snapshot.
func RestoreCases(data []byte) (*Cases, error) {
	var s casesSnapshot
	if err := json.Unmarshal(data, &s); err != nil {
		return nil, fmt.Errorf("watch: read cases: %w", err)
	}
	if s.Version != snapshotVersion {
		return nil, fmt.Errorf("watch: cases of version %d; allowed is %d", s.Version, snapshotVersion)
	}
	c := NewCases()
	c.next = s.Next
	for i, k := range s.List {
		if k == nil || k.ID == "" {
			return nil, fmt.Errorf("watch: case %d of the snapshot has no id", i)
		}
		k.fill()
		c.list[k.ID] = k
	}
	if s.Cups != nil {
		c.cups = s.Cups
	}
	return c, nil
}

func (k *Case) fill() {
	if k.Kinds == nil {
		k.Kinds = map[SignalKind]int{}
	}
	if k.Directions == nil {
		k.Directions = map[string]int{}
	}
	if k.Stations == nil {
		k.Stations = map[string]int{}
	}
	if k.Sites == nil {
		k.Sites = map[string]int{}
	}
}

// Event tells the cases of deliveries, which point at cups.
func (c *Cases) Event(e Event) {
	if e.Kind == NewCups {
		c.cups[e.Site] = e.At.UTC()
	}
}

// Take sorts what the watch yields into cases.
func (c *Cases) Take(out Out) []Change {
	var changes []Change
	for i := range out.Points {
		changes = append(changes, c.point(&out.Points[i])...)
	}
	for i := range out.Signals {
		changes = append(changes, c.signal(&out.Signals[i])...)
	}
	return changes
}

// keyOf names the common cause that a signal points at by itself.
func keyOf(s *Signal) string {
	rel := strconv.FormatUint(s.Release, 10)
	switch s.Kind {
	case SignalQuestion:
		return "log|" + s.Site + "|" + firstOf(s.Barista, s.Station)
	case SignalStale:
		return "stale|" + s.Site + "/" + s.Station
	case SignalSafety:
		return "safety|" + s.Site + "|" + s.Finding
	case SignalLot:
		return "lot|" + s.Lot
	case SignalBarista:
		return "barista|" + s.Barista + "|" + domain(s.Measure)
	case SignalRelease:
		return "release|" + rel
	case SignalChain:
		return "chain|" + domain(s.Measure)
	}
	return "place|" + s.Site + "|" + domain(s.Measure)
}

// find gives the case that a signal belongs to: the one of its key, or an open
// one of a wider cause that already explains it.
func (c *Cases) find(s *Signal, key string) *Case {
	var own, wide *Case
	for _, id := range sortedKeys(c.list) {
		k := c.list[id]
		switch {
		case k.Merged != "":
			continue
		case k.Key == key:
			if k.Stage == StageClosed && s.Seen.Sub(k.ClosedAt) > reopenWithin {
				continue
			}
			if k.Stage != StageClosed && s.Kind != SignalStale && s.Kind != SignalSafety && s.Seen.Sub(k.Last) > 4*joinWithin {
				continue
			}
			own = k
		case k.Stage != StageClosed && (wide == nil || strings.HasPrefix(wide.Key, "chain|")) && k.explains(s):
			wide = k
		}
	}
	if wide != nil {
		return wide
	}
	return own
}

// explains says whether a case of a wider cause covers what a station, a site
// or the chain shows: the same measure, the same direction, within its reach.
func (k *Case) explains(s *Signal) bool {
	head, about, _ := strings.Cut(k.Key, "|")
	wide := head == "lot" || head == "release"
	if key := keyOf(s); !strings.HasPrefix(key, "place|") && !(wide && strings.HasPrefix(key, "chain|")) {
		return false
	}
	if s.Kind == SignalPeer && head == "lot" && s.CoffeeLot != "" {
		return false // stations on one lot part: it is not the lot
	}
	dir, known := k.Directions[s.Measure]
	if !known || s.Seen.Sub(k.Last) > joinWithin {
		return false
	}
	same := dir == s.Direction
	here := k.Stations[s.Site+"/"+s.Station] > 0 || s.Station == "" && k.Sites[s.Site] > 0
	// Where most sites move, those that stay seem to move the other way.
	mirror := s.Kind == SignalSite && k.Sites[s.Site] == 0 && dir == -s.Direction
	if s.Kind == SignalSpread {
		// Part of the drinks moved, so that the spread grew.
		same = s.Direction > 0
	}
	switch head {
	case "lot":
		return s.Kind == SignalChain && same || mirror || same && (s.CoffeeLot == about || s.MilkLot == about || here)
	case "chain":
		return same || mirror
	case "release":
		return s.Kind == SignalChain && same || mirror || same && here
	case "barista", "stale":
		return same && here
	}
	return false
}

func (c *Cases) signal(s *Signal) []Change {
	if s.Kind == SignalPlain {
		return nil
	}
	key := keyOf(s)
	k := c.find(s, key)
	var changes []Change
	switch {
	case k == nil:
		c.next++
		k = &Case{ID: fmt.Sprintf("C-%05d", c.next), Number: c.next, Key: key, Stage: StageOpen, Opened: s.Seen, Began: s.Began}
		k.fill()
		k.Domain = domain(s.Measure)
		if s.Kind == SignalSafety {
			k.Domain, k.Safety = "safety", true
		} else if s.Kind == SignalQuestion {
			k.Domain = "log"
		}
		k.log(s.Seen, "watch", "opened: "+s.Words)
		c.list[k.ID] = k
		changes = append(changes, Change{k.ID, "opened"})
		c.forget(s.Seen)
	case k.Stage == StageClosed, (k.Stage == StageWatching || k.Stage == StageFixStated) && k.Fix != nil && s.Began.After(k.Fix.At):
		k.Stage, k.Reopened, k.ClosedAt, k.Fix = StageOpen, k.Reopened+1, time.Time{}, nil
		for i := range k.Tests {
			k.Tests[i].clear()
		}
		k.log(s.Seen, "watch", "came back: "+s.Words)
		changes = append(changes, Change{k.ID, "reopened"})
	default:
		changes = append(changes, Change{k.ID, "joined"})
	}
	k.take(s)
	changes = append(changes, c.absorb(k, s)...)
	k.Suspects = suspects(k)
	c.suspectCups(k)
	k.describe()
	return changes
}

// absorb merges the cases of single places that a wider cause explains.
func (c *Cases) absorb(k *Case, s *Signal) []Change {
	if strings.HasPrefix(k.Key, "place|") || s.Direction == 0 {
		return nil
	}
	var changes []Change
	for _, id := range sortedKeys(c.list) {
		o := c.list[id]
		// What a person already works on stays theirs.
		chain := strings.HasPrefix(o.Key, "chain|") && !strings.HasPrefix(k.Key, "chain|")
		if o == k || o.Merged != "" || o.Stage != StageOpen || !chain && !strings.HasPrefix(o.Key, "place|") {
			continue
		}
		// Only what came since the wider cause began: an older false alarm at
		// the same place must not keep the two apart.
		n, explained := 0, 0
		for i := range o.Evidence {
			if e := &o.Evidence[i]; !e.Seen.Before(s.Began) {
				n++
				if k.explains(e) {
					explained++
				}
			}
		}
		// "All sites" is said by what the chain has in common, so the better
		// part is enough.
		if n == 0 || !chain && explained < n || chain && 2*explained < n {
			continue
		}
		for i := range o.Evidence {
			if e := &o.Evidence[i]; !e.Seen.Before(s.Began) {
				k.take(e)
			}
		}
		o.Merged, o.Stage, o.ClosedAt = k.ID, StageClosed, s.Seen
		o.log(s.Seen, "watch", "merged into "+k.ID)
		k.log(s.Seen, "watch", o.ID+" merged in")
		changes = append(changes, Change{o.ID, "merged"})
	}
	return changes
}

// take adds a signal to the evidence.
func (k *Case) take(s *Signal) {
	k.Signals++
	k.Kinds[s.Kind]++
	if s.Direction != 0 && s.Measure != "" && (s.Kind == SignalLevel || s.Kind == SignalSite || s.Kind == SignalChain || s.Kind == SignalLot || s.Kind == SignalBarista || s.Kind == SignalRelease ||
		s.Kind == SignalVessel || s.Kind == SignalPeer || s.Kind == SignalPump) {
		k.Directions[s.Measure] = s.Direction
	}
	for _, w := range s.Where {
		k.Sites[w.Site]++
		if w.Station != "" {
			k.Stations[w.Site+"/"+w.Station]++
		}
	}
	if s.Kind == SignalSafety {
		k.Sites[s.Site]++
		k.Stations[s.Site+"/"+s.Station]++
		kind, _, _ := strings.Cut(s.Finding, " ")
		if allergenKinds[verdict.KindByName(kind)] {
			k.Allergen = true
			for i := range k.Evidence {
				if k.Evidence[i].Release == s.Release && k.Evidence[i].Finding == s.Finding && k.Evidence[i].ID != s.ID {
					k.Repeats = max(2, k.Repeats+1)
					break
				}
			}
		}
	}
	if s.Began.Before(k.Began) {
		k.Began = s.Began
	}
	k.Last = later(k.Last, s.Seen)
	k.test(s)
	if len(k.Evidence) < evidenceMost {
		k.Evidence = append(k.Evidence, *s)
	} else {
		// The first tell how it began and the last how it stands.
		copy(k.Evidence[evidenceMost/2:], k.Evidence[evidenceMost/2+1:])
		k.Evidence[evidenceMost-1] = *s
	}
}

// suspectCups moves cups up where a delivery came before the change.
func (c *Cases) suspectCups(k *Case) {
	for i := range k.Suspects {
		s := &k.Suspects[i]
		if s.Cause != CauseCups {
			continue
		}
		for _, site := range sortedKeys(k.Sites) {
			at, ok := c.cups[site]
			if d := k.Began.Sub(at); ok && d > -3*24*time.Hour && d < 7*24*time.Hour {
				s.Weight *= 3
				s.Why += "; cups were delivered on " + at.Format("2006-01-02")
				break
			}
		}
	}
	sum := 0.0
	for _, s := range k.Suspects {
		sum += s.Weight
	}
	for i := range k.Suspects {
		k.Suspects[i].Weight /= sum
	}
	slices.SortStableFunc(k.Suspects, func(a, b Suspect) int { return cmp.Compare(b.Weight, a.Weight) })
}

func (k *Case) describe() {
	if len(k.Suspects) == 0 {
		return
	}
	first := k.Suspects[0]
	where := strings.Join(sortedKeys(k.Sites), ", ")
	if len(k.Stations) == 1 {
		where = sortedKeys(k.Stations)[0]
	} else if len(k.Sites) > 3 || where == "" {
		where = "several sites"
	}
	_, about, _ := strings.Cut(k.Key, "|")
	k.Title = fmt.Sprintf("%s: %s, likely %s", where, strings.ReplaceAll(about, "|", ", "), strings.ReplaceAll(string(first.Cause), "_", " "))
	w := causeWords[first.Cause]
	k.Advice = w.contain
	if k.Owner == "" || !k.assigned() {
		k.Owner = w.owner
	}
}

func (k *Case) assigned() bool {
	return slices.ContainsFunc(k.History, func(e Entry) bool { return strings.HasPrefix(e.What, "assigned to ") })
}

// historyMost bounds a case's history; the first entry always stays.
const historyMost = 200

func (k *Case) log(at time.Time, who, what string) {
	if len(k.History) >= historyMost {
		k.History = append(k.History[:1], k.History[2:]...)
	}
	k.History = append(k.History, Entry{At: at.UTC(), Who: who, What: what})
}

// forget lets go of closed cases that can no longer come back, and of the
// oldest closed ones where there are too many.
func (c *Cases) forget(now time.Time) {
	closed := []*Case{}
	for _, id := range sortedKeys(c.list) {
		if k := c.list[id]; k.Stage == StageClosed {
			if now.Sub(k.ClosedAt) > closedKept {
				delete(c.list, id)
				continue
			}
			closed = append(closed, k)
		}
	}
	slices.SortStableFunc(closed, func(a, b *Case) int { return a.ClosedAt.Compare(b.ClosedAt) })
	for i := 0; len(c.list) > casesMost && i < len(closed); i++ {
		delete(c.list, closed[i].ID)
	}
}
