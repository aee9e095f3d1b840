package bar

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"time"
	"unicode/utf8"

	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// atBar is who is at the bar now.
type atBar struct {
	Person string    `json:"person,omitempty"`
	Since  time.Time `json:"since"`
}

const (
	// maxName bounds a pseudonym, characters; maxNames how many are known.
	maxName  = 24
	maxNames = 64
)

// People known at this bar, those seen last first.
func (b *Bar) People(ctx context.Context) ([]Person, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	out, err := b.db.people(ctx)
	for i := range out {
		if out[i].Pseudonym == b.at.Person {
			out[i].Since = b.at.Since
		}
	}
	return out, err
}

// SetPerson says who is at the bar now; empty for nobody. A pseudonym that is
// new is kept.
func (b *Bar) SetPerson(ctx context.Context, pseudonym string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	pseudonym = tidy(pseudonym)
	if n := utf8.RuneCountInString(pseudonym); n > maxName {
		return refuse("name_long", "pseudonym", "a pseudonym of %d characters is too long: at most %d", n, maxName)
	}
	known, err := b.db.people(ctx)
	if err != nil {
		return err
	}
	isNew := pseudonym != "" && !slices.ContainsFunc(known, func(p Person) bool { return p.Pseudonym == pseudonym })
	if isNew && len(known) >= maxNames {
		return refuse("names_full", "pseudonym", "%d pseudonyms are known already: take one off first", maxNames)
	}
	now := b.cfg.Now()
	at := atBar{Person: pseudonym, Since: now}
	was := b.at
	if was.Person == pseudonym {
		return nil
	}
	b.at = at
	if err := b.save(ctx, func(t tx) error { return errors.Join(t.put(keyPerson, at), b.seen(t, now)) }); err != nil {
		b.at = was
		return err
	}
	b.notify()
	return nil
}

// seen notes that the person at the bar did something; of that, the last time is
// kept.
func (b *Bar) seen(t tx, now time.Time) error {
	if b.at.Person == "" {
		return nil
	}
	return t.seen(b.at.Person, now)
}

func (t tx) seen(pseudonym string, now time.Time) error {
	return t.exec(`INSERT INTO people (pseudonym, seen_ms) VALUES (?, ?) ON CONFLICT (pseudonym) DO UPDATE SET seen_ms = excluded.seen_ms`,
		pseudonym, now.UnixMilli())
}

// Forget takes a pseudonym off the list. Builds that were logged keep it.
func (b *Bar) Forget(ctx context.Context, pseudonym string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	gone := b.at.Person == pseudonym
	if err := b.save(ctx, func(t tx) error {
		if gone {
			if err := t.put(keyPerson, atBar{}); err != nil {
				return err
			}
		}
		return t.exec(`DELETE FROM people WHERE pseudonym = ?`, pseudonym)
	}); err != nil {
		return err
	}
	if gone {
		b.at = atBar{}
	}
	b.notify()
	return nil
}

// AcknowledgeStop says that the person at the bar saw a stop.
func (b *Bar) AcknowledgeStop(ctx context.Context, stop string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.at.Person == "" {
		return refuse("who", "", "tap who you are first: head office is told who saw it")
	}
	if _, err := b.agent.AcknowledgeStop(ctx, &pb.StationServiceAcknowledgeStopRequest{Stop: stop, Person: b.at.Person}); err != nil {
		return refuse("not_acknowledged", "", "it was not acknowledged: %s", status.Convert(err).Message())
	}
	now := b.cfg.Now()
	if err := b.save(ctx, func(t tx) error {
		return t.mark(now, b.day(now), markStop, "stop "+bounded(stop)+" acknowledged", bounded(stop))
	}); err != nil {
		return err
	}
	b.notify()
	return nil
}

// AcknowledgeNews says that the person at the bar read what an edition changed.
func (b *Bar) AcknowledgeNews(ctx context.Context, edition uint64) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := b.newsNow()
	if n == nil || n.Edition != edition {
		return refuse("no_news", "", "edition %d is not what is new here", edition)
	}
	if b.at.Person == "" {
		return refuse("who", "", "tap who you are first: head office is told who read it")
	}
	// A release of no edition has no cards to be learnt.
	if edition != 0 {
		if _, err := b.agent.AcknowledgeCard(ctx, &pb.StationServiceAcknowledgeCardRequest{Edition: edition, Person: b.at.Person}); err != nil {
			return refuse("not_acknowledged", "", "it was not acknowledged: %s", status.Convert(err).Message())
		}
	}
	ack := acknowledged{Release: n.Release}
	if err := b.save(ctx, func(t tx) error { return t.put(keyAck, ack) }); err != nil {
		return err
	}
	b.ack = ack
	b.notify()
	return nil
}

func decimal(n uint64) string { return strconv.FormatUint(n, 10) }
