package console

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestKeysAreListedAndMade(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "admin", "ada")
	admin := p["admin"]
	admin.want("/keys", 200, "Key list 1, good until", "signs", "releases and assignments, stop lists and standings", "may sign the next list", "signed it", "What needs the root keys",
		"<span>keylist-1</span> <span>--retire</span> <span>ID</span> <span>--out</span> <span>keylist-2</span>", "samecup keys add", "meant for trying things out", "nobody who breaks into the centre")
	p["ada"].want("/keys", 200, "To make a signing key needs the role administrator")
	p["ada"].refused("/keys", 403, []string{"it needs the role administrator"}, "make", "label", "mine")
	body := admin.refused("/keys", 422, []string{"Write which key it is"}, "make", "label", " ")
	if !strings.Contains(body, `id="in-label-f"`) {
		t.Error("the fault is not at its field")
	}
	res, body := admin.send("/keys", "make", "label", "authority, winter 2026")
	public := shownSecret.FindStringSubmatch(body)
	if res.StatusCode != 200 || public == nil || len(public[1]) != 64 || !strings.Contains(body, "<span>--release</span> <span>"+public[1]+"</span> <span>--online</span> <span>"+public[1]+"</span>") {
		t.Fatalf("%d %s", res.StatusCode, told(body))
	}
	// The list is there to be carried to the offline machine, byte for byte.
	lists, err := pb.NewGovernanceServiceClient(c.cc).ListKeyLists(t.Context(), &pb.ListKeyListsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	res, body = admin.get("/keys/keylist-1")
	if res.StatusCode != 200 || body != string(lists.KeyLists[0]) || !strings.Contains(res.Header.Get("Content-Disposition"), `"keylist-1"`) {
		t.Errorf("%d, %d bytes, %s", res.StatusCode, len(body), res.Header.Get("Content-Disposition"))
	}
	admin.want("/keys/keylist-9", 404, "There is no such key list", `href="/keys"`)
}

// TestKeysHaveTheirStates shows lists in which a key took over, one was retired
// and one revoked.
func TestKeysHaveTheirStates(t *testing.T) {
	at := time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC)
	var all []*release.Signer
	for range 5 {
		s, err := release.NewKey()
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	root, old, next, stolen, other := all[0], all[1], all[2], all[3], all[4]
	both := []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}
	key := func(s *release.Signer, label string) *pb.SigningKey {
		return &pb.SigningKey{PublicKey: s.Public(), Label: label, Roles: both}
	}
	var lists []readList
	for i, l := range []*pb.KeyList{
		{RootKeys: [][]byte{root.Public()}, Keys: []*pb.SigningKey{key(old, "autumn"), key(stolen, "lent")}},
		{RootKeys: [][]byte{root.Public(), other.Public()}, Keys: []*pb.SigningKey{key(old, "autumn"), key(next, "winter")}, RevokedKeys: [][]byte{stolen.Public()}},
	} {
		l.Version, l.RootThreshold = uint64(i+1), 1 //nolint:gosec // 1 and 2
		l.IssuedTime, l.ExpireTime = timestamppb.New(at.AddDate(0, 0, i)), timestamppb.New(at.AddDate(0, 2, 0))
		b, err := release.SignKeyList(l, root)
		if err != nil {
			t.Fatal(err)
		}
		lists = append(lists, readList{l, b})
	}
	v := &visit{now: at.AddDate(0, 0, 4)}
	rows := func() (out map[string]string) {
		out = map[string]string{}
		x := &Table{}
		v.signingRows(x, lists)
		for _, r := range x.Rows {
			out[r[0].Text] = r[1].Text + "; " + r[3].Text
		}
		x = &Table{}
		v.rootRows(x, lists)
		for _, r := range x.Rows {
			out[r[0].Text] = r[1].Text + "; " + r[3].Text
		}
		return out
	}
	got := rows()
	for name, want := range map[string]string{
		"autumn": "signs together with another: one takes over from the other; list 1, 4 days ago", "winter": "signs together with another: one takes over from the other; list 2, 3 days ago",
		"lent": "revoked for good: what only it signed is let go of; list 1, 4 days ago", release.KeyID(root.Public()): "may sign the next list; signed it", release.KeyID(other.Public()): "may sign the next list; did not sign it",
	} {
		if got[name] != want {
			t.Errorf("%s: %q, want %q", name, got[name], want)
		}
	}
	lists[1].Keys = lists[1].Keys[1:]
	if got := rows(); !strings.HasPrefix(got["autumn"], "retired with list 2") || !strings.HasPrefix(got["winter"], "signs; ") {
		t.Errorf("after the retirement: %v", got)
	}
	for days, want := range map[int]string{0: "", 40: "caution", 80: "alert"} {
		v.now = at.AddDate(0, 0, days)
		if _, tone := v.listWords(lists[1].KeyList); tone != want {
			t.Errorf("after %d days: %q, want %q", days, tone, want)
		}
	}
	if bytes.Equal(lists[0].envelope, lists[1].envelope) {
		t.Error("the two lists are one")
	}
}
