package console

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// recordRows is how many acts a page of the record holds.
const recordRows = 100

// recordPage is the record as sentences.
type recordPage struct {
	Drink  string
	Drinks []choice
	Table  *Table
	// Older and Newer lead through the record.
	Older, Newer string
	Head         uint64
	// Verified says how the chain of hashes stands, where it was asked for.
	Verified, Tone string
	Verify         string
}

func recordShow(v *visit) (*view, error) {
	q := v.URL.Query()
	p := recordPage{Drink: q.Get("drink"), Verify: with(v.URL, "verify", "1")}
	p.Table = &Table{ID: "record", Caption: "Acts, the newest first", Cols: cols("#no.", "when", "who", "~what"), Empty: "Nothing was done yet. Every act from the first person on stands here, and none can be taken away."}
	if b, err := v.newestBook(); err == nil {
		for i := range b.Drinks {
			p.Drinks = append(p.Drinks, choice{b.Drinks[i].ID, b.Drinks[i].Name, b.Drinks[i].ID == p.Drink})
		}
	}
	entries, err := v.entries(&p, q.Get("before"))
	if err != nil {
		return nil, err
	}
	for _, e := range slices.Backward(entries) {
		p.Table.add(head(strconv.FormatUint(e.Number, 10), ""), Cell{Text: at(e.ActTime.AsTime(), time.UTC, v.now), CSV: e.ActTime.AsTime().Format(time.RFC3339Nano)}, text(v.who(e.Actor)), text(sentence(v.named(e))))
	}
	if p.Drink != "" {
		p.Table.Empty = "No act is about this drink."
	}
	if q.Get("verify") != "" {
		if p.Verified, p.Tone, err = v.verify(); err != nil {
			v.part("the check of the record", err)
		}
	}
	return &view{Title: "Record", Data: p, Tables: []*Table{p.Table}}, nil
}

// named is the sentence of an act; those of stations begin with the station's id.
func (v *visit) named(e *pb.RecordEntry) string {
	if rest, ok := strings.CutPrefix(e.Text, e.Actor); ok && strings.HasPrefix(e.Actor, "station:") {
		return v.who(e.Actor) + rest
	}
	return e.Text
}

// entries are the acts of one page, in their order. Of one drink they are all
// read, since only the authority knows which are about it.
func (v *visit) entries(p *recordPage, before string) ([]*pb.RecordEntry, error) {
	last := uint64(0)
	if before != "" {
		n, err := strconv.ParseUint(before, 10, 64)
		if err != nil || n < 2 {
			return nil, badRequest("The number", fmt.Sprintf("%q is none", before), "take it from the links beneath the table")
		}
		last = n - 1
	}
	first := uint64(0)
	if p.Drink == "" {
		var err error
		if p.Head, err = v.recordHead(); err != nil {
			return nil, err
		}
		if last == 0 || last > p.Head {
			last = p.Head
		}
		if last > recordRows {
			first = last - recordRows
		}
	}
	var out []*pb.RecordEntry
	err := v.readRecord(first, p.Drink, func(e *pb.RecordEntry) bool {
		if last > 0 && e.Number > last {
			return false
		}
		if out = append(out, e); len(out) > 2*recordRows {
			out = append(out[:0], out[len(out)-recordRows-1:]...)
		}
		return true
	})
	if err != nil {
		return nil, err
	}
	if len(out) > recordRows {
		out = out[len(out)-recordRows:]
	}
	if len(out) > 0 && out[0].Number > 1 && (p.Drink == "" || len(out) == recordRows) {
		p.Older = with(v.URL, "before", strconv.FormatUint(out[0].Number, 10), "verify", "")
	}
	if before != "" {
		p.Newer = with(v.URL, "before", "", "verify", "")
	}
	return out, nil
}

// readRecord reads entries after a number until take says that it has enough.
func (v *visit) readRecord(after uint64, drinkID string, take func(*pb.RecordEntry) bool) error {
	ctx, cancel := context.WithCancel(v.ctx)
	defer cancel()
	in, err := v.ask.office.StreamRecord(ctx, &pb.StreamRecordRequest{After: after, Drink: drinkID})
	if err != nil {
		return err
	}
	for {
		res, err := in.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if !take(res.Entry) {
			return nil
		}
	}
}

// recordHead finds the number of the last entry. Entries count without gaps, so
// it is found by asking whether there is one after a number: in ever longer
// steps, then by halves.
func (v *visit) recordHead() (uint64, error) {
	after := func(n uint64) (more bool, err error) {
		err = v.readRecord(n, "", func(*pb.RecordEntry) bool { more = true; return false })
		return more, err
	}
	low := v.c.record.Load() // there is an entry of this number, or it is 0
	step := uint64(64)
	high := low
	for {
		more, err := after(high)
		if err != nil {
			return 0, err
		}
		if !more {
			break
		}
		low, high = high+1, high+step
		step *= 4
	}
	for low < high {
		mid := low + (high-low)/2
		more, err := after(mid)
		if err != nil {
			return 0, err
		}
		if more {
			low = mid + 1
		} else {
			high = mid
		}
	}
	v.c.record.Store(low)
	return low, nil
}

// verify has the whole chain of hashes walked.
func (v *visit) verify() (words, tone string, err error) {
	in, err := v.ask.office.VerifyRecord(v.ctx, &pb.VerifyRecordRequest{})
	if err != nil {
		return "", "", err
	}
	for {
		res, err := in.Recv()
		if err != nil {
			return "", "", fmt.Errorf("read the check: %w", err)
		}
		switch {
		case !res.Done:
		case res.BrokenAt != 0:
			return fmt.Sprintf("The record does NOT hold at entry %d: %s", res.BrokenAt, sentence(res.Detail)), "alert", nil
		default:
			return fmt.Sprintf("The record holds: %s, the last with the hash %x. Keep that; a later record must contain it.", plural(int(res.Checked), "entry", "entries"), res.Head), "good", nil //nolint:gosec // counts of acts
		}
	}
}
