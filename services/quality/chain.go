package quality

import (
	"bytes"

	"samecup.example/samecup/services/quality/store"
)

// Stored records read at a time when a gap may have closed: a few at first,
// since mostly it has not.
const (
	firstLinks = 4
	linkPage   = 1000
)

// chain follows one station's hash chain within a transaction. Records that
// come in order are followed in memory; only where some came early is the
// database read.
type chain struct {
	st *store.Station
	// wholeBefore is where the chain stood when the transaction began.
	wholeBefore uint64
	// early is true where stored records lie beyond the whole part.
	early bool
	added bool
}

func startChain(st *store.Station) chain {
	return chain{st: st, wholeBefore: st.WholeTo, early: st.Highest > st.WholeTo}
}

// add follows a record that was stored just now for the first time.
func (c *chain) add(b *store.Build) {
	c.added = true
	switch next := c.st.WholeTo + 1; {
	case b.Sequence < next:
		// That sequence has its record already: somebody wrote it twice.
		c.broken(b.Sequence)
	case b.Sequence == next && bytes.Equal(b.PreviousHash, c.st.WholeHash):
		c.st.WholeTo, c.st.WholeHash = b.Sequence, b.Hash
	default:
		c.early = true
	}
	c.st.Highest = max(c.st.Highest, b.Sequence)
}

// broken keeps the lowest sequence at which something was wrong.
func (c *chain) broken(seq uint64) {
	if c.st.BrokenAt == 0 || seq < c.st.BrokenAt {
		c.st.BrokenAt = seq
	}
}

// finish goes on through records that came early, now that the gap before them
// may be closed, and looks for sequences that were used twice.
func (c *chain) finish(tx store.Tx) error {
	if !c.added || !c.early {
		return nil
	}
	if err := c.catchUp(tx); err != nil {
		return err
	}
	if c.st.WholeTo == c.wholeBefore {
		return nil
	}
	seq, err := tx.Forked(c.st.Ref, c.wholeBefore+1, c.st.WholeTo)
	if err != nil {
		return err
	}
	if seq != 0 {
		c.broken(seq)
	}
	return nil
}

func (c *chain) catchUp(tx store.Tx) error {
	for page := firstLinks; ; page = linkPage {
		links, err := tx.Links(c.st.Ref, c.st.WholeTo, page)
		if err != nil {
			return err
		}
		from := c.st.WholeTo
		if c.follow(links) {
			c.broken(c.st.WholeTo + 1)
		}
		if c.st.WholeTo == from || len(links) < page {
			return nil
		}
	}
}

// follow advances through links; true where the next record is there, but
// none under its sequence continues the chain.
func (c *chain) follow(links []store.Link) (mismatch bool) {
	for _, l := range links {
		switch next := c.st.WholeTo + 1; {
		case l.Sequence < next:
			continue
		case l.Sequence > next:
			return mismatch
		case bytes.Equal(l.PreviousHash, c.st.WholeHash):
			c.st.WholeTo, c.st.WholeHash, mismatch = next, l.Hash, false
		default:
			mismatch = true
		}
	}
	return mismatch
}
