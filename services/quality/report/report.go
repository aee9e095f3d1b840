// Package report answers how the centre's findings read to a person: a line of
// words for a deviation, a table for the intake.
package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// WriteDeviation writes a line for each finding of a deviation, such as
//
//	14:02 tannery-row/bar-1 latte/m/whole: shot time 22 s: 4 s fast (26 to 32 s); grind finer
//
// with the time at which the build began in now's zone, and its date where
// that is not now's.
func WriteDeviation(w io.Writer, d *pb.Deviation, now time.Time) error {
	b := d.GetBuild()
	at := d.GetReceivedTime().AsTime()
	if b.GetStartedTime().IsValid() {
		at = b.GetStartedTime().AsTime()
	}
	head := fmt.Sprintf("%s %s/%s %s: ", clock(at, now), b.GetSite(), b.GetStation(), b.GetServing())
	var tail string
	if d.GetDisputed() {
		tail = " (the station's own verdict differed)"
	}
	if d.GetCorrectedBy() != "" {
		tail += " (corrected since)"
	}
	findings := d.GetVerdict().GetFindings()
	if len(findings) == 0 {
		findings = []*pb.Finding{{Text: strings.ToLower(strings.TrimPrefix(d.GetVerdict().GetGrade().String(), "GRADE_"))}}
	}
	for _, f := range findings {
		if _, err := fmt.Fprintln(w, printable(head+f.GetText()+tail)); err != nil {
			return err
		}
	}
	return nil
}

func clock(at, now time.Time) string {
	at = at.In(now.Location())
	if at.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return at.Format("15:04")
	}
	return at.Format("2006-01-02 15:04")
}

// printable keeps what a station wrote from steering the terminal.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return unicode.ReplacementChar
		}
		return r
	}, s)
}

// WriteJSON writes a message as one line of JSON.
func WriteJSON(w io.Writer, m proto.Message) error {
	data, err := protojson.Marshal(m)
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	// protojson varies its spaces on purpose; a line should not.
	var line bytes.Buffer
	if err := json.Compact(&line, data); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	line.WriteByte('\n')
	_, err = line.WriteTo(w)
	return err
}

// WriteIntake writes a table of stations and what was set aside.
func WriteIntake(w io.Writer, in *pb.GetIntakeResponse) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "STATION\tBUILDS\tDEVIATIONS\tDISPUTED\tAWAITING RELEASE\tLOG")
	for _, s := range in.GetStations() {
		fmt.Fprintf(t, "%s/%s\t%d\t%d\t%d\t%d\t%s\n", s.Site, s.Station, s.Builds, s.Deviations, s.Disputed, s.AwaitingRelease, wholeness(s))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if len(in.GetStations()) == 0 {
		fmt.Fprintln(w, "no station has sent a build yet")
	}
	var err error
	switch n := in.GetQuarantined(); n {
	case 0:
	case 1:
		_, err = fmt.Fprintln(w, "1 message or record was set aside: it could not be read or believed")
	default:
		_, err = fmt.Fprintf(w, "%d messages or records were set aside: they could not be read or believed\n", n)
	}
	return err
}

// wholeness says how much of a station's log is here and linked.
func wholeness(s *pb.StationIntake) string {
	var text string
	switch {
	case s.WholeToSequence == s.HighestSequence:
		text = fmt.Sprintf("whole to %d", s.WholeToSequence)
	case s.ChainBrokenAt == s.WholeToSequence+1:
		text = fmt.Sprintf("whole to %d of %d", s.WholeToSequence, s.HighestSequence)
	default:
		text = fmt.Sprintf("whole to %d of %d, %d is missing", s.WholeToSequence, s.HighestSequence, s.WholeToSequence+1)
	}
	if s.ChainBrokenAt != 0 {
		text += fmt.Sprintf("; CHAIN BROKEN at %d: a record was edited, or written twice", s.ChainBrokenAt)
	}
	return text
}
