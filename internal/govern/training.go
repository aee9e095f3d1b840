package govern

import (
	"fmt"
	"slices"
	"strings"
)

// training is who acknowledged an edition's cards.
type training struct {
	// Sites: the people of each, sorted, while it is the newest or the one before.
	Sites map[string][]string `json:"sites,omitempty"`
	// Counts by site, once the names are dropped.
	Counts map[string]int `json:"counts,omitempty"`
}

func (t *training) count(site string) int {
	if t == nil {
		return 0
	}
	return len(t.Sites[site]) + t.Counts[site]
}

// SiteTraining is how far a site is with an edition.
type SiteTraining struct {
	Site         string
	People       int
	Acknowledged int
	// Needed before the edition takes effect there; 0 where it does not wait.
	Needed int
}

// Training tells how far each site is with an edition, by site.
func (s *State) Training(edition uint64) (out []SiteTraining) {
	r, e := s.t.Rollouts[edition], s.t.Editions[edition]
	for _, site := range s.Sites() {
		one := SiteTraining{Site: site.ID, People: site.People, Acknowledged: s.acknowledged(edition, site.ID)}
		if r != nil && e != nil && !e.Safety {
			one.Needed = Needed(r.TrainingPercent, site.People)
		}
		out = append(out, one)
	}
	return out
}

func (s *State) acknowledged(edition uint64, site string) int {
	return s.t.Training[edition].count(site)
}

// CardAcknowledged says that a person at a site read what an edition changed.
type CardAcknowledged struct {
	Site    string `json:"site"`
	Edition uint64 `json:"edition"`
	Person  string `json:"person"`
}

func (*CardAcknowledged) kind() string { return "card.acknowledged" }

func (b *CardAcknowledged) tell() string {
	return fmt.Sprintf("took edition %d as read at %s by %s", b.Edition, b.Site, b.Person)
}

func (b *CardAcknowledged) apply(s *State, _ *Act) error {
	t := s.t.Training[b.Edition]
	if t == nil {
		t = &training{}
		s.t.Training[b.Edition] = t
	}
	made(&t.Sites)
	t.Sites[b.Site] = with(t.Sites[b.Site], b.Person)
	return nil
}

// forgetTraining drops the names of all but the newest edition and the one
// before, and keeps their counts.
func (s *State) forgetTraining() {
	before := uint64(0)
	for n := range s.t.Editions {
		if n < s.t.Newest {
			before = max(before, n)
		}
	}
	for n, t := range s.t.Training {
		if n >= before || t.Sites == nil {
			continue
		}
		t.Counts = map[string]int{}
		for site, people := range t.Sites {
			t.Counts[site] = len(people)
		}
		t.Sites = nil
	}
}

// CardSeen is what AcknowledgeCard takes.
type CardSeen struct {
	Site    string
	Edition uint64
	Person  string
}

// AcknowledgeCard counts a person once a site and edition; the one that makes
// a waiting site's share full lets the edition take effect there, at its next
// opening. It is refused for editions older than the one before the newest,
// whose names are no longer held.
func (s *State) AcknowledgeCard(c Call, rules Rules, q CardSeen) ([]Act, error) {
	if err := s.mayAt(c, "acknowledge a card", q.Site); err != nil {
		return nil, err
	}
	q.Person = strings.TrimSpace(q.Person)
	switch {
	case q.Person == "":
		return nil, bad("person", "is empty; name who read it")
	case s.t.Editions[q.Edition] == nil:
		return nil, noEdition("edition", q.Edition)
	case s.old(q.Edition):
		return nil, blocked("EDITION_ENDED", "edition", "edition %d was followed by two others; acknowledge the newest, %d", q.Edition, s.t.Newest)
	}
	if t := s.t.Training[q.Edition]; t != nil {
		if _, has := slices.BinarySearch(t.Sites[q.Site], q.Person); has {
			return nil, nil
		}
	}
	bodies := []Body{&CardAcknowledged{Site: q.Site, Edition: q.Edition, Person: q.Person}}
	if r := s.running(); r != nil && r.Edition == q.Edition {
		joined, done := s.joins(r, rules, s.stamp(c), func(id string) Site { return *s.t.Sites[id] }, func(id string) int {
			n := s.acknowledged(q.Edition, id)
			if id == q.Site {
				n++
			}
			return n
		})
		bodies = append(bodies, joined...)
		if done {
			bodies = append(bodies, &RolloutCompleted{Edition: r.Edition, Touched: s.about(r.Edition)})
		}
	}
	return s.acts(c, bodies...), nil
}

// old reports whether at least two editions followed.
func (s *State) old(edition uint64) bool {
	n := 0
	for k := range s.t.Editions {
		if k > edition {
			n++
		}
	}
	return n > 1
}
