//go:build !station

package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Levels of a finding, as the authority writes them.
const (
	levelError   = "error"
	levelCaution = "caution"
	levelNote    = "note"
)

// resource is the name of a thing that people call by its id: "autumn-menu" and
// "drafts/autumn-menu" are the same draft.
func resource(collection, id string) string {
	return collection + "/" + strings.TrimPrefix(id, collection+"/")
}

// shortName is a resource's id.
func shortName(name string) string {
	_, id, ok := strings.Cut(name, "/")
	if !ok {
		return name
	}
	return id
}

// stateWords writes an enum's value as people read it: DRAFT_STATE_OPEN with
// the prefix DRAFT_STATE_ is "open".
func stateWords(value fmt.Stringer, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(value.String(), prefix), "_", " "))
}

// count writes a number with its noun.
func count[N int | int32 | uint64](n N, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// orDash writes a dash for nothing.
func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// oneLine keeps a table's rows apart.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// grid writes a table; none is what stands there instead of an empty one.
func grid(w io.Writer, header, none string, rows [][]any) {
	if len(rows) == 0 {
		fmt.Fprintln(w, none)
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, strings.ReplaceAll(header, "|", "\t"))
	for _, row := range rows {
		cells := make([]string, len(row))
		for i, c := range row {
			cells[i] = orDash(oneLine(fmt.Sprint(c)))
		}
		fmt.Fprintln(t, strings.Join(cells, "\t"))
	}
	_ = t.Flush() // w is a buffer
}

// parseEdits reads FILE PATH VALUE, any number of times.
func parseEdits(args []string) ([]*pb.FieldEdit, error) {
	if len(args) == 0 || len(args)%3 != 0 {
		return nil, exitError{code: 2, msg: fmt.Sprintf("%s after the name; an edit is FILE PATH VALUE, such as drinks/latte.yaml 'servings[size=medium].vessel' p350, and more may follow", count(len(args), "word"))}
	}
	var edits []*pb.FieldEdit
	for ; len(args) > 0; args = args[3:] {
		if args[0] == "" {
			return nil, exitError{code: 2, msg: "FILE is empty: name a file of the book, such as drinks/latte.yaml"}
		}
		if _, err := bookedit.Parse(args[1]); err != nil {
			return nil, exitError{code: 2, msg: fmt.Sprintf("PATH %q: %v", args[1], err)}
		}
		edits = append(edits, &pb.FieldEdit{File: args[0], Path: args[1], Value: args[2]})
	}
	return edits, nil
}

// parseWhen reads --on and --at; nil means at once.
func parseWhen(on, at string) (*pb.When, error) {
	if on == "" {
		if at != "" {
			return nil, exitError{code: 2, msg: fmt.Sprintf("--at %q: name the business day too, such as --on 2026-10-25; without both it takes effect at once", at)}
		}
		return nil, nil
	}
	if _, err := time.Parse(time.DateOnly, on); err != nil {
		return nil, exitError{code: 2, msg: fmt.Sprintf("--on %q: write a date that exists as year-month-day, such as 2026-10-25", on)}
	}
	w := &pb.When{BusinessDay: on}
	if at == "" || at == "opening" {
		return w, nil
	}
	t, err := time.Parse("15:04", at)
	if err != nil {
		return nil, exitError{code: 2, msg: fmt.Sprintf("--at %q: write opening, or a time of the site's wall clock from 00:00 to 23:59, such as 06:30", at)}
	}
	minute := int32(t.Hour()*60 + t.Minute()) //nolint:gosec // below 1440
	w.MinuteOfDay = &minute
	return w, nil
}

// whenWords is the reverse of parseWhen.
func whenWords(w *pb.When) string {
	switch {
	case w.GetBusinessDay() == "":
		return "at once"
	case w.MinuteOfDay == nil:
		return "at each site's opening on " + w.BusinessDay
	}
	return fmt.Sprintf("at %02d:%02d by each site's clock on %s", *w.MinuteOfDay/60, *w.MinuteOfDay%60, w.BusinessDay)
}

// progressBar draws how much of total is done.
func progressBar(done, total uint64) string {
	const width = 30
	if total == 0 {
		return "[" + strings.Repeat("-", width) + "]   0 %"
	}
	done = min(done, total)
	// In floats, as a product of two large counts could overflow.
	share := float64(done) / float64(total)
	full := int(share * width)
	return fmt.Sprintf("[%s%s] %3d %%", strings.Repeat("#", full), strings.Repeat("-", width-full), int(share*100))
}

// reviewPage is what an approver must see, of a draft or an overlay.
type reviewPage struct {
	changes        []*pb.BookChange
	cautions       []*pb.ReviewCaution
	safety, needed []string
	rebase         []string
	// approve is the command that approves exactly this.
	approve string
}

func (r reviewPage) write(w io.Writer) {
	for _, s := range r.safety {
		fmt.Fprintln(w, "SAFETY:", s)
	}
	if len(r.changes) == 0 {
		fmt.Fprintln(w, "It changes nothing.")
	} else {
		fmt.Fprintf(w, "\n%s:\n", count(len(r.changes), "change"))
	}
	_ = drink.WriteChanges(w, changesFromProto(r.changes)) // w is a buffer
	if len(r.cautions) > 0 {
		fmt.Fprintf(w, "\n%s to acknowledge by name:\n", count(len(r.cautions), "caution"))
	}
	for _, c := range r.cautions {
		fmt.Fprintf(w, "  %s  %s\n", c.Id, problemLine(c.Problem))
	}
	fmt.Fprintln(w)
	if len(r.rebase) > 0 {
		fmt.Fprintf(w, "Overlays that need rebasing afterwards: %s\n", strings.Join(r.rebase, ", "))
	}
	if len(r.needed) == 0 {
		fmt.Fprintln(w, "No approval is missing.")
		return
	}
	fmt.Fprintf(w, "Still has to approve: %s\n", strings.Join(r.needed, ", "))
	fmt.Fprintf(w, "To approve exactly what is shown here:\n  %s --role %s", r.approve, r.needed[0])
	for _, c := range r.cautions {
		fmt.Fprint(w, " --caution ", c.Id)
	}
	fmt.Fprintln(w)
}

// changesFromProto reads changes as drink.Diff gave them to the authority.
func changesFromProto(in []*pb.BookChange) []drink.Change {
	out := make([]drink.Change, len(in))
	for i, c := range in {
		out[i] = drink.Change{Kind: drink.ChangeKind(c.Kind), Safety: c.Safety, Subject: c.Subject, Field: c.Field, Old: c.Old, New: c.New, Reaches: c.Reaches}
		for _, e := range c.Effects {
			out[i].Effects = append(out[i].Effects, drink.Effect{Serving: e.Serving, Fact: e.Fact, Old: e.Old, New: e.New})
		}
	}
	return out
}

// approvalLines writes who approved what, one a line.
func approvalLines(w io.Writer, approvals []*pb.Approval) {
	for _, a := range approvals {
		fmt.Fprintf(w, "approved by %s as %s at %s", a.Person, a.Role, clock(a.CreateTime))
		if len(a.Cautions) > 0 {
			fmt.Fprintf(w, ", with the cautions %s", strings.Join(a.Cautions, ", "))
		}
		fmt.Fprintln(w)
	}
}

// problemLines writes the findings of a check at these levels, one a line.
func problemLines(w io.Writer, problems []*pb.Problem, levels ...string) {
	for _, p := range problems {
		if slices.Contains(levels, p.Level) {
			fmt.Fprintln(w, problemLine(p))
		}
	}
}

// errorLines writes what blocks a book, and how much else there is to see.
func errorLines(w io.Writer, problems []*pb.Problem, where string) {
	problemLines(w, problems, levelError)
	n := 0
	for _, p := range problems {
		if p.Level == levelCaution {
			n++
		}
	}
	if n > 0 {
		fmt.Fprintf(w, "The check gives %s; see %s.\n", count(n, "caution"), where)
	}
}
