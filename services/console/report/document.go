package report

import (
	"time"

	"samecup.example/samecup/services/console/chart"
)

// Document is a report ready to be printed or shown: nothing in it asks anybody.
type Document struct {
	Title, Subtitle string
	// Foot stands at the end of each page, before its number.
	Foot    string
	Created time.Time
	// Sheet is the paper that it is printed on.
	Sheet  Sheet
	Blocks []Block
}

// Block is one piece of a document: [Heading], [Para], [Actions], [Table],
// [Figure] or [Break].
type Block interface{ block() }

// Heading begins a part.
type Heading struct{ Text string }

// Para is a paragraph; Small is set for notes, Bold for what must be seen.
type Para struct {
	Text        string
	Small, Bold bool
}

// Action is one thing to do.
type Action struct {
	// What is so, in a few words; Where and since when; what is to be done Next;
	// how Sure it is.
	What, Where, Next, Sure string
	// Safety is set where somebody could come to harm.
	Safety bool
}

// Actions are the things to do, the gravest first. The first page holds as many
// as fit and says how many stand on the next.
type Actions struct{ List []Action }

// Table is rows of words; columns in Right hold figures.
type Table struct {
	Headers []string
	// Weights are the widths of the columns, in proportion.
	Weights []float64
	Right   []bool
	Rows    [][]string
	// None is said where there are no rows.
	None string
}

// Figure is a chart with its words beneath.
type Figure struct{ Chart *chart.Chart }

// Break ends the first page, where what stands on it fits.
type Break struct{}

func (Heading) block() {}
func (Para) block()    {}
func (Actions) block() {}
func (Table) block()   {}
func (Figure) block()  {}
func (Break) block()   {}
