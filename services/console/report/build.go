package report

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/method"
	"samecup.example/samecup/services/console/reading"
)

// Build turns data into a document: the same data make the same document.
func Build(d *Data) (*Document, error) {
	b := &builder{writer: newWriter(d)}
	doc := &Document{Sheet: SheetOf(b.read.Tag), Title: b.scope(), Subtitle: "Weekly consistency report. " + b.weekWords() + ".", Created: d.Made,
		Foot: strings.Join(nonEmpty(d.Chain, b.scope(), b.weekWords()), " · ")}
	b.first()
	for _, part := range []func() error{b.compared, b.byDay, b.drifts, b.stationDay, b.checksTaken, b.happened, b.questions, b.otherCases} {
		if err := part(); err != nil {
			return nil, fmt.Errorf("report of %s, %s: %w", d.Scope, d.Week, err)
		}
	}
	b.methods()
	doc.Blocks = b.blocks
	b.inReading(doc)
	return doc, nil
}

// builder adds blocks and remembers which methods they rest on.
type builder struct {
	*writer
	blocks []Block
	used   []string // keys of package method, in order of first use
}

// figureThenUnit is what a line must not end within.
var figureThenUnit = regexp.MustCompile(`(\d) (°C|°F|%|g|mm|ml|s|fl oz|oz|in)\b|(\d) (%|± )`)

// bound keeps a figure with its unit, and what may be off by with both.
func bound(s string) string {
	s = strings.ReplaceAll(s, " ± ", "\u00a0±\u00a0")
	return figureThenUnit.ReplaceAllString(s, "$1$3\u00a0$2$4")
}

// inReading gives all words and charts of a document the reader's signs.
func (b *builder) inReading(d *Document) {
	words := func(s string) string {
		// Not every font has the narrow space; both keep a figure together.
		return bound(strings.ReplaceAll(b.read.Words(s), reading.GroupSign, "\u00a0"))
	}
	list := func(l []string) {
		for i := range l {
			l[i] = words(l[i])
		}
	}
	d.Title, d.Subtitle, d.Foot = words(d.Title), words(d.Subtitle), words(d.Foot)
	for i, k := range d.Blocks {
		switch k := k.(type) {
		case Heading:
			d.Blocks[i] = Heading{words(k.Text)}
		case Para:
			k.Text = words(k.Text)
			d.Blocks[i] = k
		case Actions:
			for n := range k.List {
				a := &k.List[n]
				a.What, a.Where, a.Next, a.Sure = words(a.What), words(a.Where), words(a.Next), words(a.Sure)
			}
		case Table:
			list(k.Headers)
			for _, r := range k.Rows {
				list(r)
			}
		case Figure:
			d.Blocks[i] = Figure{k.Chart.Reword(func(s string) string { return words(b.read.Figures(s)) })}
		}
	}
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
		b.say("Either nothing was made, or the logs have not arrived. Ask whether the bars were open; if they were, look at the console's page Stations, or at samecup intake, and let the stations send what they hold.")
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
	b.beside()
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
		b.note("%s counted and not yet in these figures; make the report again in a minute.", capital(b.areNow(int(b.d.PendingBuilds), "build")))
	}
	if n := b.d.UnwatchedBuilds; n > 0 {
		b.note("The watch still has about %s to read: cases and signals may be behind.", b.many(int(n), "build"))
	}
	if b.read.US {
		b.note("Values are shown in US customary units. What instruments showed, and what is kept and judged, is metric.")
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

// beside says on the first page where a site stands among all.
func (b *builder) beside() {
	f, err := b.funnel()
	if err != nil || f == nil || b.d.Scope.Site == "" {
		return // compared tells of the error
	}
	for i := range f.Sites {
		if s := &f.Sites[i]; s.Site == b.d.Scope.Site {
			b.say("All %s together had %s. Beside them, this is: %s.", b.many(len(f.Sites), "site"), b.percent(f.Target), b.bandWords(s))
		}
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
		out := b.number(100*v, 1)
		if v > 0 {
			out = "+" + out
		}
		return out
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
