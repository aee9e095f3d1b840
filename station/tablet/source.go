package tablet

import (
	"context"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/station/bar"
)

// Bar is what the pages show and drive; *bar.Bar in a running station. Every
// call that changes something answers after the change is on disk where it would
// be missed, and its errors are sentences for the person at the machine: a
// *bar.Refusal carries which text and which field.
type Bar interface {
	// State is what every page shows. Watch returns a channel that is closed at
	// the next change of it; the news on a page need no polling.
	State(ctx context.Context) (bar.State, error)
	Watch() <-chan struct{}

	// Choices are the servings of the release in force, the most made first.
	Choices(ctx context.Context) ([]bar.Choice, error)
	// Card is a serving as it stands now.
	Card(ctx context.Context, serving string) (*bar.Card, error)

	// Begin opens a build, which is shown and judged by the release in force at
	// this moment. An open one is refused: finish or abandon it first.
	Begin(ctx context.Context, serving string) (*bar.Open, error)
	// StartTimer and StopTimer of the next pull without a time; stopping enters
	// the shot time.
	StartTimer(ctx context.Context, build string) error
	StopTimer(ctx context.Context, build string) error
	// Enter a value in the check's base unit; how is "keypad" or "stepper".
	// Clear takes one back.
	Enter(ctx context.Context, build, check string, occurrence int, value drink.Milli, how string) error
	Clear(ctx context.Context, build, check string, occurrence int) error
	// Step marks a step as done, or as not done.
	Step(ctx context.Context, build, step string, done bool) error
	// Use says what was used in place of what the card says: vessel, milk, shots
	// or garnish left off.
	Use(ctx context.Context, build string, u bar.Used) error
	// SkipMeasuring says why a build that the plan chose will not be measured.
	SkipMeasuring(ctx context.Context, build, why string) error
	// Finish logs the build: it answers after build and verdict are on disk. The
	// same build again gets the first answer.
	Finish(ctx context.Context, build string) (*bar.Logged, error)
	// Abandon drops the open build; why is kept for the day's view.
	Abandon(ctx context.Context, build, why string) error
	// Undo opens a correction of a build logged within the last minute, filled in
	// with what was logged. The original stays in the log.
	Undo(ctx context.Context, build string) (*bar.Open, error)

	// ToTaste is a cup that waits to be tasted, or whose tasting may still be put
	// right. Taste keeps what was said of it; SkipTasting says why nothing is, and
	// ShowVerdict shows its verdict before.
	ToTaste(ctx context.Context, build string) (*bar.Tasting, error)
	Taste(ctx context.Context, t bar.Taste) (*bar.Tasted, error)
	SkipTasting(ctx context.Context, build, why string) error
	ShowVerdict(ctx context.Context, build string) error

	// People known at this bar; SetPerson says who is at the bar now (empty for
	// nobody), Forget takes a pseudonym off.
	People(ctx context.Context) ([]bar.Person, error)
	SetPerson(ctx context.Context, pseudonym string) error
	Forget(ctx context.Context, pseudonym string) error

	// AcknowledgeStop and AcknowledgeNews say that the person at the bar saw it.
	AcknowledgeStop(ctx context.Context, stop string) error
	AcknowledgeNews(ctx context.Context, edition uint64) error

	// BeginDialIn starts a routine, PurgeDialIn, DialInShot and DialInTasted
	// carry it on, EndDialIn ends it early. TurnGrinder says that the dial was
	// turned outside a routine.
	BeginDialIn(ctx context.Context, o dialin.Occasion) error
	PurgeDialIn(ctx context.Context, dose drink.Milli) error
	DialInShot(ctx context.Context, s bar.DialInShot) error
	DialInTasted(ctx context.Context, right bool, note string) error
	EndDialIn(ctx context.Context, why string) error
	TurnGrinder(ctx context.Context, setting drink.Milli) error

	// Day is what was made here; an empty date is today.
	Day(ctx context.Context, date string) (*bar.Day, error)
}
