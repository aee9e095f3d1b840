package authority

import (
	"context"
	"crypto/ed25519"
	"database/sql"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// ceremony signs the next key list with the installation's root key.
func (s *season) ceremony(t *testing.T, edit release.KeyListEdit) []byte {
	t.Helper()
	lists := s.KeyLists()
	prev := must(release.UnverifiedKeyList(lists[len(lists)-1]))(t)
	edit.Issued, edit.Lifetime = s.now(), release.KeyListLifetime
	next := must(release.NextKeyList(prev, edit))(t)
	files := must(filepath.Glob(filepath.Join(s.dataDir, keysDir, release.RootDir, "*.key")))(t)
	root, _, err := release.ReadKey(files[0])
	if err != nil {
		t.Fatal(err)
	}
	return must(release.SignKeyList(next, root))(t)
}

func TestARevokedKeyIsReplacedAndItsReleasesAreSignedAnew(t *testing.T) {
	s := openSeason(t)
	add := func(who *desk, list []byte) (*pb.AddKeyListResponse, error) {
		return who.office.AddKeyList(t.Context(), &pb.AddKeyListRequest{RequestId: uuid.NewString(), KeyList: list})
	}
	old := s.PublicKey()
	_, err := s.ada.office.CreateSigningKey(t.Context(), &pb.CreateSigningKeyRequest{RequestId: uuid.NewString(), Label: "autumn"})
	refused(t, err, codes.PermissionDenied, "ROLE_MISSING")
	key := must(s.admin.office.CreateSigningKey(t.Context(), &pb.CreateSigningKeyRequest{RequestId: uuid.NewString(), Label: "autumn"}))(t)
	if again := must(s.admin.office.CreateSigningKey(t.Context(), &pb.CreateSigningKeyRequest{RequestId: uuid.NewString(), Label: "autumn"}))(t); again.KeyId != key.KeyId {
		t.Fatalf("two keys of one label: %s and %s", key.KeyId, again.KeyId)
	}
	both := []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}
	named := []*pb.SigningKey{{PublicKey: key.PublicKey, Roles: both, Label: "autumn"}}

	// A list that leaves this authority without a key of its own is refused.
	stranger := must(release.NewKey())(t)
	_, err = add(s.admin, s.ceremony(t, release.KeyListEdit{Revoke: []ed25519.PublicKey{old},
		Add: []*pb.SigningKey{{PublicKey: stranger.Public(), Roles: both, Label: "not ours"}}}))
	refused(t, err, codes.FailedPrecondition, "NO_SIGNING_KEY")
	next := s.ceremony(t, release.KeyListEdit{Add: named, Revoke: []ed25519.PublicKey{old}})
	forged := slices.Clone(next)
	forged[len(forged)-1] ^= 1
	_, err = add(s.admin, forged)
	refused(t, err, codes.InvalidArgument, "BAD_REQUEST")
	_, err = add(s.ada, next)
	refused(t, err, codes.PermissionDenied, "ROLE_MISSING")
	if got := must(add(s.admin, next))(t); got.Version != 2 {
		t.Fatalf("version %d", got.Version)
	}

	lists := must(s.ada.office.ListKeyLists(t.Context(), &pb.ListKeyListsRequest{}))(t).KeyLists
	trust := must(release.NewTrust(lists[0]))(t)
	must(trust.AddKeyList(lists[1]))(t)
	res := must(s.books.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 1}))(t)
	if _, err := trust.VerifyRelease(must(proto.Marshal(res.Envelope))(t)); err != nil {
		t.Fatalf("release 1 after its key was revoked: %v", err)
	}
	if got := verified(t, s.admin); got.BrokenAt != 0 {
		t.Fatalf("verify: %v", got)
	}
}

func TestTheRecordIsStreamedAsItGrows(t *testing.T) {
	s := openSeason(t)
	if got := verified(t, s.admin); got.BrokenAt != 0 || !got.Done || got.Total == 0 {
		t.Fatalf("verify: %v", got)
	}
	var n uint64
	for e := range s.record(t, s.admin, "") {
		if n++; e.Number != n || e.Text == "" || len(e.Body) == 0 {
			t.Fatalf("entry %d: %v", n, e)
		}
	}
	ctx, stop := context.WithTimeout(t.Context(), 10*time.Second)
	defer stop()
	stream := must(s.admin.office.StreamRecord(ctx, &pb.StreamRecordRequest{After: n, Follow: true}))(t)
	must(s.ada.stops.CreateStop(t.Context(), &pb.CreateStopRequest{RequestId: uuid.NewString(), Kind: pb.StopKind_STOP_KIND_LOT, Target: "L 22", Reason: "recall"}))(t)
	if e := must(stream.Recv())(t).Entry; e.Number != n+1 || e.Kind != "stop.ordered" || e.Actor != "ada" {
		t.Fatalf("followed: %v", e)
	}
}

func TestTrainingIsCountedAPersonOnce(t *testing.T) {
	s := openSeason(t)
	must(s.admin.fleet.UpdateSite(t.Context(), &pb.UpdateSiteRequest{Site: &pb.Site{Id: "tannery-row", Name: "Site tannery-row", Region: "harbour", TimeZone: "Europe/London", PeopleCount: 4}}))(t)
	d := s.approve(t, s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C")))
	r := must(s.flo.rollouts.CreateRollout(t.Context(), &pb.CreateRolloutRequest{RequestId: uuid.NewString(), Draft: d.Name, TrainingPercent: 50}))(t).Rollout
	row := func() *pb.SiteTraining {
		return must(s.flo.office.ListTraining(t.Context(), &pb.ListTrainingRequest{Edition: r.Edition}))(t).Sites[3]
	}
	seen := func(person string) {
		must(s.flo.office.AcknowledgeCard(t.Context(), &pb.AcknowledgeCardRequest{RequestId: uuid.NewString(), Site: "tannery-row", Edition: r.Edition, Person: person}))(t)
	}
	if got := row(); got.Needed != 2 || got.Acknowledged != 0 || got.PeopleCount != 4 {
		t.Fatalf("training: %v", got)
	}
	seen("Mo")
	seen("Mo")
	if got := row(); got.Acknowledged != 1 {
		t.Fatalf("training: %v", got)
	}
	seen("Jo")
	if r = s.get(t, r); len(r.Waves[0].WaitingSites) != 0 && r.Waves[0].WaitingSites[len(r.Waves[0].WaitingSites)-1] == "tannery-row" {
		t.Fatalf("tannery-row still waits: %v", r.Waves[0])
	}
}

// TestARewrittenRecordIsFound changes the database behind the authority's back.
func TestARewrittenRecordIsFound(t *testing.T) {
	for name, c := range map[string]struct {
		statement string
		at        uint64
	}{
		"a changed body":    {`UPDATE record SET body = CAST(CAST(body AS TEXT) || ' ' AS BLOB) WHERE number = 8`, 8},
		"a dropped entry":   {`DELETE FROM record WHERE number = 4`, 4},
		"a cut end":         {`DELETE FROM record WHERE number > 6`, 7},
		"a changed release": {`UPDATE releases SET envelope = CAST(envelope || X'00' AS BLOB) WHERE number = 1`, 0},
		"a changed moment":  {`UPDATE record SET at_us = at_us + 1 WHERE number = 3`, 3},
	} {
		t.Run(name, func(t *testing.T) {
			s := openSeason(t)
			db := must(sql.Open("sqlite", filepath.Join(s.dataDir, "authority.db")))(t)
			defer db.Close()
			// The database refuses it as long as its triggers stand.
			if _, err := db.Exec(c.statement); err == nil && c.at != 0 {
				t.Fatal("the database let the record be changed")
			}
			for _, trigger := range triggers(t, db) {
				must(db.Exec("DROP TRIGGER " + trigger))(t)
			}
			if n := must(must(db.Exec(c.statement))(t).RowsAffected())(t); n == 0 {
				t.Fatal("nothing was changed; the test is not one")
			}
			if got := verified(t, s.admin); got.BrokenAt == 0 || c.at != 0 && got.BrokenAt != c.at || got.Detail == "" {
				t.Errorf("broken at %d (%s), want %d", got.BrokenAt, got.Detail, c.at)
			}
		})
	}
}

func triggers(t *testing.T, db *sql.DB) (names []string) {
	t.Helper()
	rows := must(db.Query(`SELECT name FROM sqlite_master WHERE type = 'trigger'`))(t)
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		names = append(names, name)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return names
}
