package report

import (
	"fmt"
	"strings"
	"time"

	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

// Build turns data into a document: the same data make the same document.
func Build(d *Data) (*Document, error) {
	b := &builder{writer: newWriter(d)}
	doc := &Document{Title: b.scope(), Subtitle: "Weekly consistency report. " + b.weekWords() + ".", Created: d.Made,
		Foot: strings.Join(nonEmpty(d.Chain, b.scope(), b.weekWords()), " · ")}
	b.first()
	for _, part := range []func() error{b.compared, b.byDay, b.drifts, b.stationDay, b.checksTaken, b.happened, b.questions, b.otherCases} {
		if err := part(); err != nil {
			return nil, fmt.Errorf("report of %s, %s: %w", d.Scope, d.Week, err)
		}
	}
	b.methods()
	doc.Blocks = b.inLocale()
	return doc, nil
}

// builder adds blocks and remembers which methods they rest on.
type builder struct {
	*writer
	blocks []Block
	used   []string // keys of package method, in order of first use
}

// inLocale gives the figures of charts the reader's decimal sign; those in words
// have it from the beginning.
func (b *builder) inLocale() []Block {
	sign := strings.Trim(b.number(0.5, 1), "0123456789")
	for i, k := range b.blocks {
		if f, ok := k.(Figure); ok && f.Chart != nil {
			b.blocks[i] = Figure{f.Chart.Reword(func(s string) string { return chart.Decimals(s, sign) })}
		}
	}
	return b.blocks
}

func (b *builder) add(blocks ...Block) { b.blocks = append(b.blocks, blocks...) }

func (b *builder) say(format string, args ...any) { b.add(Para{Text: fmt.Sprintf(format, args...)}) }

func (b *builder) note(format string, args ...any) {
	b.add(Para{Text: fmt.Sprintf(format, args...), Small: true})
}

func (b *builder) use(method string) {
	for _, m := range b.used {
		if m == method {
			return
		}
	}
	b.used = append(b.used, method)
}

func nonEmpty(list ...string) []string {
	var out []string
	for _, s := range list {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// totals of the scope's week.
func (b *builder) totals() *pb.BuildCounts {
	c := &pb.BuildCounts{}
	for _, r := range b.d.StationWeek {
		c.Builds += r.Builds.GetBuilds()
		c.InSpec += r.Builds.GetInSpec()
		c.OffSpec += r.Builds.GetOffSpec()
		c.Unknown += r.Builds.GetUnknown()
		c.Unsafe += r.Builds.GetUnsafe()
		c.AwaitingRelease += r.Builds.GetAwaitingRelease()
		c.Disputed += r.Builds.GetDisputed()
	}
	return c
}

// first is the page of what to do.
func (b *builder) first() {
	c := b.totals()
	list := b.actions()
	switch {
	case c.Builds == 0:
		b.add(Para{Text: "No build of this week is here.", Bold: true})
		b.say("Either nothing was made, or the logs have not arrived. Ask whether the bars were open; if they were, look at %s and let the stations send what they hold.", "samecup intake")
	default:
		bad, n := judged(c)
		b.say("%s were logged. Of the %s that could be judged, %s not as specified%s.", capital(b.many(int(c.Builds), "build")), b.count(n), b.wasWere(bad), b.share(bad, n))
		var more []string
		if c.Unsafe > 0 {
			more = append(more, fmt.Sprintf("%s must not have been served", b.many(int(c.Unsafe), "build")))
		}
		if c.Unknown > 0 {
			more = append(more, fmt.Sprintf("for %s a safety matter could not be confirmed, because a reading is missing or cannot be used", b.many(int(c.Unknown), "build")))
		}
		if c.AwaitingRelease > 0 {
			more = append(more, fmt.Sprintf("%s wait to be judged, since their release is not here", b.many(int(c.AwaitingRelease), "build")))
		}
		if len(more) > 0 {
			b.say("%s", sentence(strings.Join(more, "; ")))
		}
	}
	b.before(c)
	b.small()
	b.add(Heading{Text: "What to do"})
	if len(list) == 0 {
		b.say("Nothing wants somebody this week: no case was open when it ended, no stop waits for an answer, and every station was heard.")
	}
	b.add(Actions{List: list})
	b.add(Break{})
}

// small says what the page rests on.
func (b *builder) small() {
	if _, end := b.d.bounds(""); !b.d.Made.IsZero() && b.d.Made.Before(end) {
		b.note("The week is not over: this is what was known %s.", b.moment(b.d.Made, b.d.Scope.Site))
	}
	if b.d.PendingBuilds > 0 {
		b.note("%s counted but not yet in these figures; make the report again in a minute.", capital(b.many(int(b.d.PendingBuilds), "build")))
	}
	for _, s := range b.d.Skipped {
		b.note("%s", s)
	}
	if z := b.d.zones(); len(z) > 1 {
		b.note("Times are by the clock of each site; days begin when its business day does. Zones: %s.", strings.Join(z, ", "))
	} else if len(z) == 1 {
		b.note("Times are by the clock of %s; a day begins when the business day does.", z[0])
	}
}

// before compares the week with the one before it.
func (b *builder) before(c *pb.BuildCounts) {
	from, to := b.d.Week.Before(1).Monday().Format(time.DateOnly), b.d.Week.Monday().Format(time.DateOnly)
	bad, n := 0, 0
	for _, r := range b.d.PlaceDays {
		if r.Period >= from && r.Period < to {
			x, of := judged(r.Builds)
			bad, n = bad+x, n+of
		}
	}
	now, of := judged(c)
	diff, iv, err := stat.Difference(now, of, bad, n, 0.95)
	if err != nil {
		return // one of the weeks has no build that could be judged
	}
	words := "can be chance"
	if !iv.Contains(0) {
		words = "is more than chance gives"
	}
	points := func(v float64) string {
		sign := "+"
		if v < 0 {
			sign, v = "−", -v
		}
		return sign + b.number(100*v, 1)
	}
	b.use(method.Wilson)
	b.say("The week before it was %s of %s. The change of %s points (95 %% interval %s to %s) %s.", b.percent(float64(bad)/float64(n)), b.many(n, "build"), points(diff), points(iv.Lower), points(iv.Upper), words)
}

func (b *builder) wasWere(n int) string {
	if n == 1 {
		return "1 was"
	}
	return b.count(n) + " were"
}

// share is a share with its interval, in brackets.
func (b *builder) share(x, n int) string {
	if n == 0 {
		return ""
	}
	iv := interval(x, n)
	b.use(method.Wilson)
	return fmt.Sprintf(" (%s; 95 %% interval %s to %s)", b.percent(float64(x)/float64(n)), b.percent(iv.Lower), b.percent(iv.Upper))
}
