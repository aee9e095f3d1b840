// Package method answers: how is a figure made, in two sentences, and who says
// so? Pages and printed reports take their words from here, so that a method is
// explained once.
package method

import "slices"

// Note explains a method: what it does, what it does not say, and its source.
// Sources cited from memory stand so in internal/stat, where the formulas are.
type Note struct {
	// Key names the method on pages and in reports.
	Key string
	// Name is that of the figure as people call it.
	Name string
	// Text is two sentences.
	Text string
	// Source is a publication, or says that there is none.
	Source string
}

// String is the note as printed.
func (n Note) String() string { return n.Name + ". " + n.Text + " Source: " + n.Source + "." }

// The methods.
const (
	Wilson      = "wilson"
	Funnel      = "funnel"
	Shrunk      = "shrunk"
	Rank        = "rank"
	Mix         = "mix"
	Watch       = "watch"
	Individuals = "individuals"
	MeanSpread  = "mean-spread"
	Attributes  = "attributes"
	EWMA        = "ewma"
	Capability  = "capability"
	Histogram   = "histogram"
	Day         = "day"
	Order       = "order"
	Honest      = "honest"
	Suspects    = "suspects"
	Fix         = "fix"
	Sequential  = "sequential"
	Agreement   = "agreement"
	Draw        = "draw"
	Hands       = "hands"
)

var notes = []Note{
	{Wilson, "Interval of a share",
		"It holds the shares that go with what was counted, right 95 times in 100 if builds were independent. Those of one shift are not quite, so the truth is somewhat less sure.",
		"Wilson 1927, Journal of the American Statistical Association 22, 209-212"},
	{Funnel, "Funnel plot",
		"Few builds scatter more than many, so each place is held against limits that widen as its builds get fewer. A place within them is alike for all that can be told.",
		"Spiegelhalter 2005, Statistics in Medicine 24, 1185-1202"},
	{Shrunk, "Probable rate",
		"A place's own rate is drawn towards that of all together, the more so the fewer its builds, since few builds say more of chance than of the place. It is the better guess for what comes next, and no record of what was.",
		"Efron and Morris 1977, Scientific American 236 (5), 119-127; Tak, Kelly and Morris 2017, Journal of Statistical Software 78 (5)"},
	{Rank, "Interval of a rank",
		"A place's rank is given with the ranks that go with the builds counted. Where such intervals overlap, no order between the places is known.",
		"Goldstein and Spiegelhalter 1996, Journal of the Royal Statistical Society A 159, 385-443"},
	{Mix, "Against its own mix",
		"The builds not as specified are divided by those that the chain's rates would give for the drinks that the site makes, so that a menu of hard drinks is no fault. 1 is as expected.",
		"indirect standardisation, Breslow and Day 1987, Statistical Methods in Cancer Research, volume 2"},
	{Watch, "The watch",
		"Each station's means of a shift are added up against their own past (cumulative sums), which finds small lasting changes sooner than limits on single points. The beginning is chosen by looking, so its chance is somewhat optimistic.",
		"Page 1954, Biometrika 41, 100-115; docs/detection.md"},
	{Individuals, "Chart of daily means",
		"A day's mean is taken as one value and held against three sigmas about earlier days, which rest on how neighbouring days differ. They say nothing of what the book allows.",
		"Shewhart 1931, Economic Control of Quality of Manufactured Product; constants of ASTM E2587"},
	{MeanSpread, "Chart of means and spreads",
		"Readings taken together make a sample, whose mean and standard deviation are each held against three sigmas of their own past. The spread is read first, for limits of the mean rest on it.",
		"Shewhart 1931, Economic Control of Quality of Manufactured Product; constants of ASTM E2587"},
	{Attributes, "Chart of shares",
		"The share of each day is held against three sigmas about that of all days, wider where few builds were judged. They are widened once more where days differ by more than chance, and say nothing of what is good enough.",
		"Shewhart 1931, Economic Control of Quality of Manufactured Product; Laney 2002, Quality Engineering 14, 531-537"},
	{EWMA, "Weighted moving average",
		"Each point is a mean that counts the newest reading most and older ones less and less, which shows a small lasting shift sooner than single readings do. It is slower to show one large fault.",
		"Roberts 1959, Technometrics 1, 239-250"},
	{Capability, "Capability",
		"It divides the room that the book allows by the spread of the readings: below 1, readings outside are a matter of course. It holds only while the process stays as it is, and few readings leave it wide open, so it stands with its interval.",
		"Bissell 1990, Applied Statistics 39, 331-340"},
	{Histogram, "Histogram against the tolerance",
		"It shows each reading as it was read beside what the book allows. Nothing is smoothed.",
		"common practice; the tolerance is that of the release which the last build followed"},
	{Day, "A day at a station",
		"Every reading stands at its time as it was logged, with what else happened there. The band is what the book allowed of that drink at that time.",
		"common practice"},
	{Order, "Median and most of the readings",
		"The point is the middle reading of the day, its bar from the 5th to the 95th in a hundred. The bar shows what was made, and is no measure of how surely the middle is known.",
		"order statistics; common practice"},
	{Honest, "Questions about logs",
		"A question is raised only where two independent screens, such as last digits and timing, stand out together and the share of false ones among all is held down. An honest log can look like this too, so it is asked and never held against anybody.",
		"Benjamini and Hochberg 1995, Journal of the Royal Statistical Society B 57, 289-300"},
	{Suspects, "Likely causes",
		"Each cause is weighed by which signs it would leave (all drinks or one, one station or several, at a lot's change or slowly) and which were seen. The weights order what to check first and are no probabilities.",
		"a rule of this program, docs/detection.md"},
	{Fix, "The builds after a fix",
		"The mean of the readings since the fix is tested at 5 % for lying on the sound side of half way between how it was before and the fault; a share of builds is held against half way by its exact interval. Where neither side is sure, it says about how many more would tell.",
		"one-sided t test, NIST/SEMATECH e-Handbook 7.2.2; Clopper and Pearson 1934, Biometrika 26, 404-413"},
	{Sequential, "Test of a wave",
		"After each build the new release's share off spec is weighed against the old one's, and the wave goes on, stops or waits by limits that were set before. They hold the chances of a false alarm and of a harm overlooked however often one looks.",
		"Wald 1947, Sequential Analysis"},
	{Agreement, "Limits of agreement",
		"The station's value less the auditor's of the same drink is drawn against their mean; 95 of 100 further differences are expected between the limits. Pairs of one place resemble each other, so the variance within and between places is kept apart.",
		"Bland and Altman 1986, The Lancet 327, 307-310; 2007, Journal of Biopharmaceutical Statistics 17, 571-582"},
	{Draw, "Drinks drawn by lot",
		"Drinks, readings and times are drawn at random from a number kept by whoever plans, so that nobody chooses what is seen. The share found then stands for all that was sold in those hours, with the width that so few drinks have.",
		"Cochran 1977, Sampling Techniques, third edition, chapter 2"},
	{Hands, "One person's drinks or everybody's",
		"Each person's measured days since the case began are held against their own days before, with intervals that are right for all people together 99 times in 100. It tells where to look at method and training first; names are pseudonyms, they stand in no order, and it is no measure of anybody.",
		"Welch 1947, Biometrika 34, 28-35; Bonferroni's bound, Dunn 1961, Journal of the American Statistical Association 56, 52-64 (from memory)"},
}

// Of is a method's note; ok is false where there is none.
func Of(key string) (n Note, ok bool) {
	i := slices.IndexFunc(notes, func(n Note) bool { return n.Key == key })
	if i < 0 {
		return Note{}, false
	}
	return notes[i], true
}

// All are the notes in the order of a page that lists them.
func All() []Note { return slices.Clone(notes) }
