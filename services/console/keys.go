package console

import (
	"cmp"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// keysPage is what stations trust, and how it is changed.
type keysPage struct {
	Words, Tone, Trial    string
	Signing, Roots, Lists *Table
	Acts                  []keyAct
	Label                 input
	Made                  *keyOnce
	Lacks                 string
	Form                  *form
	// None is set where there is no key list at all.
	None bool
}

// keyAct is something that can be done about keys, and where.
type keyAct struct {
	Name, What string
	Commands   []command
}

// keyOnce is a key that was just made, with the steps by which it takes over.
type keyOnce struct {
	ID, Public, Newest string
	Offline            []command
	Here               command
}

// readList is a key list with its envelope.
type readList struct {
	*pb.KeyList
	envelope []byte
}

// keyLists reads the signed lists, the first first.
func (v *visit) keyLists() ([]readList, error) {
	res, err := v.ask.office.ListKeyLists(v.ctx, &pb.ListKeyListsRequest{})
	if err != nil {
		return nil, err
	}
	var out []readList
	for i, e := range res.KeyLists {
		l, err := release.UnverifiedKeyList(e) // the authority verified it
		if err != nil {
			return nil, fmt.Errorf("read key list %d: %w", i+1, err)
		}
		out = append(out, readList{l, e})
	}
	return out, nil
}

// keyWarning is how long before its end a key list is worth a word.
const keyWarning = 30 * 24 * time.Hour

func keysShow(v *visit) (*view, error) {
	lists, err := v.keyLists()
	if err != nil {
		return nil, err
	}
	p := &keysPage{None: len(lists) == 0, Form: v.newForm(""), Lacks: v.lacks("make a signing key", roleAdmin)}
	p.Label = p.Form.input("label", "Which key it is, for people", "", input{Hint: "Such as: authority, winter 2026.", Max: 200, Need: true})
	p.Made, _ = v.once.(*keyOnce)
	p.Signing = &Table{ID: "keys", Caption: "Keys that sign what stations follow", Cols: cols("key", "~state", "~may sign", "known since", "id"), Empty: "No key list is there."}
	p.Roots = &Table{ID: "roots", Caption: "Root keys, which sign key lists and nothing else", Cols: cols("key", "state", "known since", "newest list"), Empty: "No key list is there."}
	p.Lists = &Table{ID: "lists", Caption: "Key lists, the newest first", Cols: cols("list", "issued", "good until", "#root signatures", "#needed", "file"), Empty: "No key list is there."}
	out := &view{Title: "Keys", Data: p, Tables: []*Table{p.Signing, p.Roots, p.Lists}}
	if p.None {
		return out, nil
	}
	newest := lists[len(lists)-1]
	p.Words, p.Tone = v.listWords(newest.KeyList)
	v.signingRows(p.Signing, lists)
	v.rootRows(p.Roots, lists)
	for i, l := range slices.Backward(lists) {
		var prev *pb.KeyList
		if i > 0 {
			prev = lists[i-1].KeyList
		}
		sig, err := release.CountSignatures(l.envelope, prev)
		if err != nil {
			return nil, fmt.Errorf("count the signatures of key list %d: %w", l.Version, err)
		}
		p.Lists.add(head(strconv.FormatUint(l.Version, 10), ""), v.moment(l.IssuedTime), v.moment(l.ExpireTime), textf("%d", sig.Own), textf("%d", sig.NeedOwn), to(keyListFile(l.Version), keyListLink(l.Version)))
	}
	p.Acts = keyActs(newest.KeyList)
	if len(newest.RootKeys) < 2 || slices.ContainsFunc(newest.Keys, func(k *pb.SigningKey) bool { return len(k.Roles) > 1 }) {
		p.Trial = "This is how an installation begins, and it is meant for trying things out. For a chain, have at least two root keys in different places, and one signing key for releases apart from the other."
	}
	return out, nil
}

// listWords says how the newest list stands.
func (v *visit) listWords(l *pb.KeyList) (words, tone string) {
	words = fmt.Sprintf("Key list %d, good until %s. The next one is signed by %d or more of the %d root keys.", l.Version, v.at(l.ExpireTime), l.RootThreshold, len(l.RootKeys))
	if len(l.RootKeys) == 1 {
		words = fmt.Sprintf("Key list %d, good until %s. The next one is signed by the one root key.", l.Version, v.at(l.ExpireTime))
	}
	switch end := l.ExpireTime.AsTime(); {
	case l.ExpireTime == nil || end.Sub(v.now) >= keyWarning:
	case end.Before(v.now):
		return words + " It ran out: stations work on, and say that their keys may be old. Make the next one.", "alert"
	default:
		return words + " It ends soon: make the next one.", "caution"
	}
	return words, ""
}

func keyListFile(version uint64) string { return fmt.Sprintf("keylist-%d", version) }
func keyListLink(version uint64) string { return "/keys/" + keyListFile(version) }

// signingRows tells each signing key that a list ever named, with its state in
// the newest.
func (v *visit) signingRows(t *Table, lists []readList) {
	newest := lists[len(lists)-1]
	type known struct {
		key   *pb.SigningKey
		since *pb.KeyList
		last  uint64
	}
	var all []*known
	for _, l := range lists {
		for _, k := range l.Keys {
			i := slices.IndexFunc(all, func(x *known) bool { return slices.Equal(x.key.PublicKey, k.PublicKey) })
			if i < 0 {
				all = append(all, &known{key: k, since: l.KeyList, last: l.Version})
				continue
			}
			all[i].key, all[i].last = k, l.Version
		}
	}
	slices.SortStableFunc(all, func(a, b *known) int { return -cmp.Compare(a.last, b.last) })
	for _, k := range all {
		state := Cell{Text: "signs", Tone: "good"}
		switch {
		case slices.ContainsFunc(newest.RevokedKeys, func(r []byte) bool { return slices.Equal(r, k.key.PublicKey) }):
			state = Cell{Text: "revoked for good: what only it signed is let go of", Tone: "alert"}
		case k.last < newest.Version:
			state = Cell{Text: fmt.Sprintf("retired with list %d: signs nothing new, and what stations hold of it stays good", k.last+1), Tone: "quiet"}
		case slices.ContainsFunc(newest.Keys, func(o *pb.SigningKey) bool { return !slices.Equal(o.PublicKey, k.key.PublicKey) && shareRole(o, k.key) }):
			state = Cell{Text: "signs together with another: one takes over from the other", Tone: "good"}
		}
		cells := keyCells(k.key)
		t.add(cells[0], state, cells[1], v.since(k.since), cells[2])
	}
}

func shareRole(a, b *pb.SigningKey) bool {
	return slices.ContainsFunc(a.Roles, func(r pb.KeyRole) bool { return slices.Contains(b.Roles, r) })
}

// since is the day and the age of something that came with a list.
func (v *visit) since(l *pb.KeyList) Cell {
	c := v.moment(l.IssuedTime)
	if l.IssuedTime != nil {
		c.Text = fmt.Sprintf("list %d, %s", l.Version, ago(l.IssuedTime.AsTime(), v.now))
	}
	return c
}

func (v *visit) rootRows(t *Table, lists []readList) {
	newest := lists[len(lists)-1]
	var seen [][]byte
	for _, l := range lists {
		for _, k := range l.RootKeys {
			if slices.ContainsFunc(seen, func(s []byte) bool { return slices.Equal(s, k) }) {
				continue
			}
			seen = append(seen, k)
			is := func(o []byte) bool { return slices.Equal(o, k) }
			state, signed := Cell{Text: "may sign the next list", Tone: "good"}, text("did not sign it")
			switch {
			case slices.ContainsFunc(newest.RevokedKeys, is):
				state = Cell{Text: "revoked for good", Tone: "alert"}
			case !slices.ContainsFunc(newest.RootKeys, is):
				state = Cell{Text: "taken off", Tone: "quiet"}
			}
			// A list with this key as its only root key counts its signature alone.
			if sig, err := release.CountSignatures(newest.envelope, &pb.KeyList{RootKeys: [][]byte{k}}); err == nil && sig.Before > 0 {
				signed = text("signed it")
			}
			t.add(head(release.KeyID(k), ""), state, v.since(l.KeyList), signed)
		}
	}
}

func keyCells(k *pb.SigningKey) []Cell {
	var may []string
	for _, r := range k.Roles {
		switch r {
		case pb.KeyRole_KEY_ROLE_RELEASE:
			may = append(may, "releases")
		case pb.KeyRole_KEY_ROLE_ONLINE:
			may = append(may, "assignments, stop lists and standings")
		}
	}
	return []Cell{head(orElse(k.Label, "without a label"), ""), text(orElse(listWords(may), "nothing")), text(release.KeyID(k.PublicKey))}
}

// ceremony is what is typed on the offline machine to make, sign and read the
// next list.
func ceremony(last, next, flags string) []command {
	return []command{
		command(fmt.Sprintf("samecup keys list next %s%s --out %s", last, flags, next)),
		command(fmt.Sprintf("samecup keys list sign %s --with ROOT.key", next)),
		command(fmt.Sprintf("samecup keys list show %s --previous %s", next, last)),
	}
}

// keyActs are the acts that need the root keys, with the commands for this chain.
func keyActs(l *pb.KeyList) []keyAct {
	last, next := keyListFile(l.Version), keyListFile(l.Version+1)
	with := func(flags string) []command { return ceremony(last, next, flags) }
	return []keyAct{
		{"Renew the list before it ends", "The same keys, good for longer.", with("")},
		{"Retire a key", "It signs nothing new. What stations hold of it stays good. Do it once every station holds the list that names its successor.", with(" --retire ID")},
		{"Revoke a stolen key", "Stations forget every number that only it raised and let go of what only it signed; the authority signs its own documents anew. It never comes back.", with(" --revoke ID --release NEW --online NEW")},
		{"Replace a root key", "Old and new root keys sign the list, enough of each.", with(" --drop-root ID --add-root NEW.key.pub")},
	}
}

func keysAct(v *visit) (string, error) {
	if v.typed("act") != "make" {
		return "", v.unknownAct()
	}
	if v.typed("label") == "" {
		bad := faults{}
		bad.at("label", "Write which key it is, such as: authority, winter 2026.")
		return "", bad.err()
	}
	lists, err := v.keyLists() // first: a key that nobody can name is of no use
	if err != nil {
		return "", err
	}
	if len(lists) == 0 {
		return "", &refusal{Title: "Not as things are", Points: []string{"There is no key list yet that a key could be added to."}, Next: "Begin with samecup keys list new; docs/keys.md has the ceremony.", Status: http.StatusConflict}
	}
	res, err := v.ask.office.CreateSigningKey(v.ctx, &pb.CreateSigningKeyRequest{RequestId: v.requestID(), Label: v.typed("label")})
	if err != nil {
		return "", err
	}
	newest := lists[len(lists)-1]
	last, next, public := keyListFile(newest.Version), keyListFile(newest.Version+1), hex.EncodeToString(res.PublicKey)
	v.once = &keyOnce{ID: res.KeyId, Public: public, Newest: keyListLink(newest.Version), Here: command("samecup keys add " + next),
		Offline: ceremony(last, next, fmt.Sprintf(" --release %s --online %s", public, public))}
	return "", nil
}

// sendKeyList sends a signed key list, to be carried to the machine that is kept
// offline.
func (c *Console) sendKeyList(w http.ResponseWriter, r *http.Request) {
	v, cancel := c.enter(w, r)
	if v == nil {
		return
	}
	defer cancel()
	lists, err := v.keyLists()
	if err != nil {
		c.fail(w, r, v.me, err)
		return
	}
	for _, l := range lists {
		if keyListFile(l.Version) == r.PathValue("file") {
			w.Header().Set("Content-Type", "application/octet-stream")
			w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", keyListFile(l.Version)))
			_, _ = w.Write(l.envelope) // a reader who went away is no fault
			return
		}
	}
	c.fail(w, r, v.me, notFound("key list", r.PathValue("file"), link{"/keys", "All key lists"}))
}
