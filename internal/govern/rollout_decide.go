package govern

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"maps"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/stat"
)

// NewRollout is what CreateRollout takes.
type NewRollout struct {
	Draft string
	// Replaces names the halted edition that this one takes the place of; 0 where
	// no rollout is open. Its first wave takes in every site that was left on a
	// halted edition, whatever else it names, and these wait for no training.
	Replaces uint64
	// Waves in their order, the last for all; empty means all at once.
	Waves []WaveSpec
	When  When
	Test  stat.WaveTest
	// TrainingPercent, 0 to 100, of a site's people must have acknowledged the
	// cards before it takes effect there; safety editions do not wait.
	TrainingPercent int
	Note            string
	Make            Maker
}

// CreateRollout makes an edition of an approved draft and opens its first wave.
func (s *State) CreateRollout(c Call, rules Rules, q NewRollout) ([]Act, error) {
	if err := s.may(c, "roll out", FleetManager); err != nil {
		return nil, err
	}
	d, err := s.draft(q.Draft)
	if err != nil {
		return nil, err
	}
	if d.State != DraftIsPassed {
		return nil, blocked("DRAFT_NOT_APPROVED", "draft", "draft %s is %s; only an approved one can be rolled out", d.ID, strings.ToLower(string(d.State)))
	}
	old, err := s.inPlaceOf(q.Replaces)
	if err != nil {
		return nil, err
	}
	if len(q.Waves) == 0 {
		q.Waves = []WaveSpec{{All: true}}
	}
	if err := s.wantWaves(q.Waves); err != nil {
		return nil, err
	}
	if q.TrainingPercent < 0 || q.TrainingPercent > 100 {
		return nil, bad("training_percent", "is %d; write a percentage of a site's people from 0 to 100", q.TrainingPercent)
	}
	test, err := q.Test.Filled()
	if err != nil {
		return nil, bad("test", "cannot be used: %v", err)
	}
	// A day that no site can resolve is found before anything is signed.
	probe := Edition{Members: map[string]uint64{"chain": 1}}
	if _, _, err := s.place(rules, probe, s.SitesOf("chain"), q.When, s.stamp(c)); err != nil {
		return nil, err
	}
	m, err := s.make(q.Make, s.chainFirst)
	if err != nil {
		return nil, err
	}
	e := newEditionMade(m)
	e.Draft, e.Note = d.ID, q.Note
	bodies := []Body{e}
	var astray map[string]uint64
	if old != nil {
		// What it mends may have been a safety change for those who get both at once.
		e.Safety = e.Safety || s.t.Editions[old.Edition].Safety
		bodies = append(bodies, &RolloutReplaced{Edition: old.Edition, By: e.Edition, Touched: m.about()})
		astray = s.astray()
	}
	start := &RolloutStarted{Edition: e.Edition, Draft: d.ID, Replaces: q.Replaces, Waves: q.Waves, When: q.When, Test: test, TrainingPercent: q.TrainingPercent, Note: q.Note, Touched: m.about()}
	r := &Rollout{Edition: e.Edition, TrainingPercent: q.TrainingPercent}
	for _, w := range q.Waves {
		r.Waves = append(r.Waves, Wave{WaveSpec: w})
	}
	open, done, err := s.open(rules, r, *e.edition(c.Actor.Person, s.stamp(c)), q.When, s.stamp(c), astray)
	if err != nil {
		return nil, err
	}
	bodies = append(bodies, start, open)
	if done {
		bodies = append(bodies, &RolloutCompleted{Edition: e.Edition, Touched: m.about()})
	}
	return s.acts(c, bodies...), nil
}

func (s *State) wantWaves(waves []WaveSpec) error {
	share := 0
	for i, w := range waves {
		n := 0
		for _, set := range []bool{len(w.Sites) > 0, w.SharePercent != 0, w.All} {
			if set {
				n++
			}
		}
		switch {
		case n != 1:
			return bad("waves", "wave %d must have exactly one of sites, a share and all", i+1)
		case w.All != (i == len(waves)-1):
			return bad("waves", "wave %d: the last wave, and only that one, is for all sites", i+1)
		case w.SharePercent != 0 && (w.SharePercent <= share || w.SharePercent > 99):
			return bad("waves", "wave %d has a share of %d %%; shares rise from wave to wave, from 1 to 99", i+1, w.SharePercent)
		}
		share = max(share, w.SharePercent)
		for _, id := range w.Sites {
			if s.t.Sites[id] == nil {
				return blocked("SITE_NOT_FOUND", "waves", "wave %d names %.80q, and there is no such site; add it first, or mend the name", i+1, id)
			}
		}
	}
	return nil
}

// reach lists the sites that a wave adds to those reached, sorted; those astray
// are among them.
func (s *State) reach(edition uint64, w WaveSpec, reached []string, astray map[string]uint64) []string {
	out := without(slices.Collect(maps.Keys(astray)), reached)
	add := func(id string) {
		if s.t.Sites[id] != nil && !slices.Contains(out, id) && !slices.Contains(reached, id) {
			out = append(out, id)
		}
	}
	all := s.SitesOf("chain")
	switch {
	case w.All:
		out = without(all, reached)
	case w.SharePercent > 0:
		want := (w.SharePercent*len(all)+99)/100 - len(reached)
		for _, id := range without(without(Shuffle(edition, all), reached), out) {
			if len(out) < want {
				out = append(out, id)
			}
		}
	default:
		for _, id := range w.Sites {
			add(id)
		}
	}
	slices.Sort(out)
	return nilIfEmpty(out)
}

func without(all, some []string) []string {
	drop := map[string]bool{}
	for _, id := range some {
		drop[id] = true
	}
	return slices.DeleteFunc(slices.Clone(all), func(id string) bool { return drop[id] })
}

// Shuffle puts site ids into the order in which an edition's shares take them:
// by the SHA-256 of the edition's number and the id, so that it is the same on
// every machine and each edition begins elsewhere.
func Shuffle(edition uint64, sites []string) []string {
	key := func(id string) []byte {
		h := sha256.Sum256(append(binary.BigEndian.AppendUint64([]byte("samecup/wave/v1\x00"), edition), id...))
		return h[:]
	}
	keys := make(map[string][]byte, len(sites))
	for _, id := range sites {
		keys[id] = key(id)
	}
	out := slices.Clone(sites)
	slices.SortFunc(out, func(a, b string) int { return bytes.Compare(keys[a], keys[b]) })
	return out
}

// open works out the next wave of a rollout. Sites astray, each with the edition
// that it is to leave, come with it, and do not wait.
func (s *State) open(rules Rules, r *Rollout, e Edition, w When, at time.Time, astray map[string]uint64) (b *WaveOpened, done bool, err error) {
	spec := r.Waves[r.Open].WaveSpec
	b = &WaveOpened{Edition: e.Number, Wave: r.Open, When: w, Reached: s.reach(e.Number, spec, r.Reached(), astray), Touched: e.about()}
	ready := b.Reached
	if r.TrainingPercent > 0 && !e.Safety {
		ready = nil
		var wait []string
		for _, id := range b.Reached {
			if astray[id] != 0 || s.acknowledged(e.Number, id) >= Needed(r.TrainingPercent, s.t.Sites[id].People) {
				ready = append(ready, id)
			} else {
				wait = append(wait, id)
			}
		}
		// They wait whether or not an overlay holds them; that is seen when they join.
		bare := e
		bare.Waits = nil
		if b.Waiting, _, err = s.place(rules, bare, wait, w, at); err != nil {
			return nil, false, err
		}
	}
	if b.Orders, b.Held, err = s.place(rules, e, ready, w, at); err != nil {
		return nil, false, err
	}
	for i := range b.Orders {
		if left := astray[b.Orders[i].Site]; left != 0 {
			s.notMeanwhile(&b.Orders[i], left, at)
		}
	}
	done = spec.All && len(b.Waiting) == 0 && len(r.WaitingSites()) == 0
	return b, done, nil
}

// Needed is how many of a site's people must have acknowledged.
func Needed(percent, people int) int { return (percent*people + 99) / 100 }

// joins lists the sites of a running rollout whose training is now enough.
func (s *State) joins(r *Rollout, rules Rules, at time.Time, site func(string) Site, acknowledged func(string) int) (out []Body, done bool) {
	e := s.t.Editions[r.Edition]
	b := &SitesJoined{Edition: r.Edition}
	left := 0
	for _, w := range r.Waves[:r.Open] {
		for _, o := range w.Waiting {
			v := site(o.Site)
			if acknowledged(o.Site) < Needed(r.TrainingPercent, v.People) {
				left++
				continue
			}
			if !o.Start.After(at) {
				o.Start, o.BusinessDay = rules.nextOpening(v, at)
				o.Minute = nil
			}
			b.Sites = append(b.Sites, o.Site)
			if o.Release = best(*e, v); s.rebaseHolds(*e, v) {
				o.Release = e.Number
				b.Held = append(b.Held, o)
			} else {
				b.Orders = append(b.Orders, o)
			}
		}
	}
	if len(b.Sites) > 0 {
		out = []Body{b}
	}
	return out, left == 0 && r.Open == len(r.Waves)
}

// about names the drinks that an edition changed.
func (s *State) about(edition uint64) Touched { return s.t.Editions[edition].about() }

func (s *State) rollout(edition uint64) (*Rollout, error) {
	if r := s.t.Rollouts[edition]; r != nil {
		return r, nil
	}
	return nil, refuse(NotFound, "ROLLOUT_NOT_FOUND", "name", "there is no rollout %d; list the rollouts to see their numbers", edition)
}

func (r *Rollout) wantEtag(etag string) error {
	if etag != "" && etag != r.Etag() {
		return etagDiffers("the rollout", etag, r.Etag(), nil)
	}
	return nil
}

// Advance is what AdvanceRollout takes.
type Advance struct {
	Etag string
	When When
	// Reason is needed to go on against the test's advice or before it can tell.
	Reason string
}

// AdvanceRollout opens the next wave: always a person's act.
func (s *State) AdvanceRollout(c Call, rules Rules, edition uint64, q Advance) ([]Act, error) {
	if err := s.may(c, "open a wave", FleetManager); err != nil {
		return nil, err
	}
	r, err := s.rollout(edition)
	if err != nil {
		return nil, err
	}
	if err := r.wantEtag(q.Etag); err != nil {
		return nil, err
	}
	switch {
	case r.State == RolloutIsHalted:
		return nil, blocked("ROLLOUT_HALTED", "name", "rollout %d is halted (%s); resume it with a reason, roll it back, or put a mended edition in its place", edition, r.Reason)
	case r.State != RolloutRuns:
		return nil, blocked("ROLLOUT_ENDED", "name", "rollout %d is %s; begin another one with an approved draft", edition, stateWord(r.State))
	case r.Open == len(r.Waves):
		return nil, blocked("NO_MORE_WAVES", "name", "all waves of rollout %d are open; it completes when no site waits for training", edition)
	case r.Advice != stat.AdviceGoOn && strings.TrimSpace(q.Reason) == "":
		return nil, refuse(FailedPrecondition, "REASON_MISSING", "reason", "is empty; the test's advice is %s, and to go on regardless, say why", r.Advice)
	}
	b, done, err := s.open(rules, r, *s.t.Editions[edition], q.When, s.stamp(c), nil)
	if err != nil {
		return nil, err
	}
	if b.Reason = strings.TrimSpace(q.Reason); r.Advice != stat.AdviceGoOn {
		b.Against = r.Advice
	}
	bodies := []Body{b}
	if done {
		bodies = append(bodies, &RolloutCompleted{Edition: edition, Touched: s.about(edition)})
	}
	return s.acts(c, bodies...), nil
}

// HaltRollout keeps further waves shut and lets no waiting site join.
func (s *State) HaltRollout(c Call, edition uint64, reason string) ([]Act, error) {
	if err := s.may(c, "halt a rollout", FleetManager, QualityLead, FoodSafety, Approver, Administrator); err != nil {
		return nil, err
	}
	r, err := s.rollout(edition)
	switch {
	case err != nil:
		return nil, err
	case r.State == RolloutIsHalted:
		return nil, nil
	case r.State != RolloutRuns:
		return nil, blocked("ROLLOUT_ENDED", "name", "rollout %d is %s, so there is nothing to halt", edition, stateWord(r.State))
	case strings.TrimSpace(reason) == "":
		return nil, noReason("halt a rollout")
	}
	return s.acts(c, &RolloutHalted{Edition: edition, Reason: reason, Touched: s.about(edition)}), nil
}

// ResumeRollout lets waves be opened again; sites whose training came in
// meanwhile join.
func (s *State) ResumeRollout(c Call, rules Rules, edition uint64, etag, reason string) ([]Act, error) {
	if err := s.may(c, "resume a rollout", FleetManager); err != nil {
		return nil, err
	}
	r, err := s.rollout(edition)
	if err != nil {
		return nil, err
	}
	if err := r.wantEtag(etag); err != nil {
		return nil, err
	}
	switch {
	case r.State != RolloutIsHalted:
		return nil, blocked("ROLLOUT_NOT_HALTED", "name", "rollout %d is %s; only a halted one can be resumed", edition, stateWord(r.State))
	case strings.TrimSpace(reason) == "":
		return nil, noReason("resume a rollout")
	}
	bodies := []Body{&RolloutResumed{Edition: edition, Reason: reason, Touched: s.about(edition)}}
	joined, done := s.joins(r, rules, s.stamp(c), func(id string) Site { return *s.t.Sites[id] }, func(id string) int { return s.acknowledged(edition, id) })
	bodies = append(bodies, joined...)
	if done {
		bodies = append(bodies, &RolloutCompleted{Edition: edition, Touched: s.about(edition)})
	}
	return s.acts(c, bodies...), nil
}

// ReportWave takes what the sequential test says. Only a change of the advice
// is an act; advice to roll back halts a running rollout.
func (s *State) ReportWave(c Call, edition uint64, report stat.WaveReport) ([]Act, error) {
	r, err := s.rollout(edition)
	if err != nil {
		return nil, err
	}
	if r != s.unfinished() || report.Advice == r.Advice {
		return nil, nil
	}
	bodies := []Body{&WaveAdvised{Edition: edition, Report: report, Touched: s.about(edition)}}
	if report.Advice == stat.AdviceRollBack && r.State == RolloutRuns {
		bodies = append(bodies, &RolloutHalted{Edition: edition, Reason: "the sequential test advises to roll back", Touched: s.about(edition)})
	}
	return s.acts(c, bodies...), nil
}

// ReportSafety takes a safety finding from a site that the rollout reached and
// halts it at once, whatever the counts. A finding halts once, so that a person
// who looked at it can resume.
func (s *State) ReportSafety(c Call, edition uint64, finding, text string) ([]Act, error) {
	r, err := s.rollout(edition)
	if err != nil {
		return nil, err
	}
	if r != s.running() || slices.Contains(r.Findings, finding) {
		return nil, nil
	}
	return s.acts(c, &RolloutHalted{Edition: edition, Reason: "safety finding: " + text, Finding: finding, Touched: s.about(edition)}), nil
}
