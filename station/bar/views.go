package bar

import (
	"time"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/station"
)

// State is what a page at the machine always shows.
type State struct {
	station.Status
	// Now is the station's clock, Zone the site's.
	Now  time.Time
	Zone *time.Location
	// Open is the build being made, nil for none.
	Open *Open
	// Last is the build logged last, while it can still be undone; nil otherwise.
	Last *Logged
	// Person at the bar, a pseudonym; empty while nobody tapped.
	Person string
	// Prompt waits for a build to measure, nil for none; its Words say which.
	Prompt *sampling.Prompt
	// Tasting is the cup that waits to be tasted, nil for none; Tasted what was said
	// last, while it can still be put right.
	Tasting *Tasting
	Tasted  *Tasted
	// News is the newest edition that nobody here has acknowledged, nil for none.
	News *News
	// Stops that hold at this site, gravest first.
	Stops []Stop
	// Faults of instruments that last.
	Faults []instrument.Fault
	// DialIn is the routine on its way, or just over; nil for none.
	DialIn *DialIn
	// Grinder is what is known of it.
	Grinder Grinder
	// Instruments that are wired here, by ID.
	Instruments []string
}

// Grinder is the grinder at this machine.
type Grinder struct {
	dialin.Grinder
	// Setting of the dial as last set or seen; Known is false before that.
	Setting drink.Milli
	Known   bool
	// Shots that its record counts.
	Shots int
}

// Choice is a serving that can be made.
type Choice struct {
	// ID of the serving; Name, Size and Milk as guests read them.
	ID, Name, Size, Milk string
	// Drink is the drink's ID: choices of one drink stand together.
	Drink string
	// Made is how often this station made it in the last 14 days: the most made
	// come first.
	Made int
	// Stopped says why it may not be made, in a sentence; empty when it may.
	Stopped string
	// Changed is true when the release in force changed it within 14 days.
	Changed bool
}

// Card is a serving as it stood when asked for.
type Card struct {
	Release, Edition uint64
	Book             *drink.Book
	Serving          *drink.Serving
	Stopped          string
}

// Open is the build on its way. It belongs to the release that was shown when
// it began, whatever comes into force meanwhile.
type Open struct {
	Card
	// ID of the build to be.
	ID        string
	StartedAt time.Time
	By        string
	// Corrects is the build that it takes the place of, empty for none.
	Corrects string
	// Take says what to measure on it and why; nil when the plan asks nothing.
	Take *sampling.Take
	// Taste is true where the plan wants the cup tasted.
	Taste bool
	// Readings so far, by check and occurrence.
	Readings []Value
	// Steps done, by ID, in order. Finish logs those that nobody touched as done
	// in the card's order; NotDone, marked as left out, are not logged.
	Steps   []drink.StepLog
	NotDone []string
	// Used is what was used in place of what the card says.
	Used Used
	// Sampled is true when the plan chose it for measuring; Skipped is why it
	// will not be measured, empty when it will.
	Sampled bool
	Skipped string
	// Timer is a shot timer that runs at the page: when it was started; zero
	// while none runs. Pull counts from 1.
	Timer time.Time
	Pull  int
	// Newer is a release that came into force since it began, 0 for none.
	Newer uint64
	// Notes from instruments: what did not become a value, and why.
	Notes []string
}

// Value is one reading of the open build as a page shows it.
type Value struct {
	drink.Reading
	// How it came: "keypad", "stepper", "timer" or the instrument and its words.
	How string
	// Doubt speaks against it, in words; may be empty.
	Doubt string
	// Judged is nil while it lies within its tolerance; Spoken is the same with
	// its words, nil then too.
	Judged *verdict.Finding
	Spoken *Spoken
}

// Spoken is a finding as a page can say it in any language: numbers and codes,
// with the English sentence beside them.
type Spoken struct {
	// Kind is the finding's word, such as "below_tolerance"; DoNotServe is true
	// where that is the first thing to say.
	Kind       string
	DoNotServe bool
	// Measure and Check as in the book, empty where none is concerned; Pull
	// counts from 1 and is 0 where it makes no difference.
	Measure, Check, Step string
	Pull                 int
	// Amount beyond the limit and the value read, thousandths of Unit.
	Amount, Actual drink.Milli
	Unit           drink.Unit
	// Mend is the key of what to do about it: the measure's code with "below",
	// "above" or "hard", such as "shot_time.below"; empty where nothing is.
	Mend string
	// Expected and Got are IDs or words, as in verdict.Finding.
	Expected, Got string
	// English is the sentence: "4 s fast: grind finer".
	English string
}

// Logged is a build that is on disk.
type Logged struct {
	ID, Serving, Name string
	Sequence, Release uint64
	At                time.Time
	By, Corrects      string
	Verdict           *verdict.Verdict
	// Words is the verdict as short sentences with what to do, gravest first,
	// such as "4 s fast: grind finer"; Findings are the same, structured.
	Words    []string
	Findings []Spoken
	// Sampled is true when the plan had chosen it.
	Sampled bool
	// UndoUntil is when it can no longer be corrected here.
	UndoUntil time.Time
	// CorrectedBy is the build that took its place, empty for none.
	CorrectedBy string
}

// News is what an edition changed at this station.
type News struct {
	Release, Edition uint64
	Since            time.Time
	// Changes in sentences, those of safety first.
	Changes []Change
	// Servings changed, by ID.
	Servings []string
}

// Change is one difference as a sentence.
type Change struct {
	Serving string
	Words   string
	Safety  bool
}

// Stop is a stop as a page shows it.
type Stop struct {
	ID, Words string
	Since     time.Time
	Servings  []string
	// Acknowledged is true when somebody at this station saw it.
	Acknowledged bool
	// ConfirmedAt is when the centre last confirmed the list.
	ConfirmedAt time.Time
}

// DialIn is a routine on its way.
type DialIn struct {
	Occasion dialin.Occasion
	Grinder  dialin.Grinder
	Setting  drink.Milli
	Phase    dialin.Phase
	// Words tells what to do now, Advice how to turn the grinder and how sure
	// that is.
	Words  string
	Advice *dialin.Advice
	Target dialin.Target
	Pulled []dialin.Pulled
	// Coffee used, g thousandths.
	Coffee drink.Milli
}

// Person is a pseudonym at this bar. Since is when the one who is at the bar now
// was tapped; it is zero for all others and not kept.
type Person struct {
	Pseudonym string
	Since     time.Time
	LastSeen  time.Time
}

// Day is what was made here on a business day.
type Day struct {
	// Date is the business day, YYYY-MM-DD in the site's zone.
	Date string
	// Builds in all, those off spec, and those measured.
	Builds, OffSpec, Measured int
	// Series by measure, those with most readings first.
	Series []Series
	// Marks on the time axis: releases, grinder turns, dial-ins, people.
	Marks []Mark
	// Drifts say what is going, Mended what was put right.
	Drifts []Drift
	Mended []Mended
	// Checks of the sampling plan, done and missed.
	Checks []sampling.Outcome
	// Tastings that count, in the order in which they were said.
	Tastings []*Tasted
	// Plan is what the plan costs and sees.
	Plan PlanSums
}

// Series is one measure of one serving (or of all pulls alike) over a day.
type Series struct {
	Measure string
	// What it is of: AllPulls, or a serving's name.
	Of string
	// Low, Target and High are the tolerance in force at the end of the day.
	Low, Target, High drink.Milli
	Points            []Point
}

// Point is one reading.
type Point struct {
	At    time.Time
	Value drink.Milli
	Build string
	// Off is true when it lay beyond its tolerance.
	Off bool
}

// Mark is something that happened at the bar.
type Mark struct {
	At time.Time
	// Kind is release, turned, dial_in, stop, abandoned or drift; Args are what its
	// words are made of, none where there are the words alone: the release's number;
	// the setting; "began" and the occasion, "turned" and the setting, "done" or "stuck"
	// and the shots, or "ended", the shots and why; the stop; the drink, why, and
	// "correction" where it was one.
	Kind string
	Args []string
	// Words say it in English.
	Words string
}

// AllPulls names a series of what every pull of the house is held to alike.
const AllPulls = "all pulls"

// Drift says where a measure is going.
type Drift struct {
	// Measure and what it is of, AllPulls or a serving's name.
	Measure, Of string
	// Run is how many readings running lie beyond the same limit, above it or below;
	// it is 0 where a straight line tells of the drift.
	Run   int
	Above bool
	// A line through N readings Since then goes by Slope units an hour, by 99 % of Low
	// to High, up or down as Above says. It reaches Limit in Ahead, which is 0 or less
	// where it is past it.
	N                int
	Since            time.Time
	Slope, Low, High float64
	Limit            drink.Milli
	Ahead            time.Duration
	// English is the sentence.
	English string
}

// Mended is something that was put right.
type Mended struct {
	At time.Time
	// Corrected is the drink whose log was put right; empty for a turn of the grinder.
	Corrected string
	// Setting that the grinder was turned to, and what its shots are of; Off of the
	// Before last shots were off before it, Still of the After since.
	Setting, Of               string
	Off, Before, Still, After int
	// English is the sentence.
	English string
}

// PlanSums are what the sampling plan costs and sees in a shift.
type PlanSums struct {
	// Minutes of labour, and those of the opening beside them.
	Minutes, DialIn int
	Level           sampling.Level
	// Fault is the share of drinks, 0 to 1, that a fault strikes in what Sights say.
	Fault  float64
	Sights []sampling.Sight
}

// Used is what was used in place of what the card says. Each statement is a
// whole one: a zero field is as the card says, whatever was said before.
type Used struct {
	Vessel, Milk string
	// Shots in single-equivalents, 0 for as the card says.
	Shots int
	// Without lists garnish left off.
	Without []string
}

// DialInShot is a shot of a dial-in, all in thousandths of g, s and dial steps.
type DialInShot struct {
	Setting, Dose, Yield, Time drink.Milli
}

// Refusal is why something cannot be done, for the person at the machine.
type Refusal struct {
	// Text is a key of the page's texts, Args its values in order.
	Text string
	Args []any
	// Field that is at fault, empty where none is.
	Field string
	// English is the whole sentence, for logs and for gRPC.
	English string
}

func (r *Refusal) Error() string { return r.English }
