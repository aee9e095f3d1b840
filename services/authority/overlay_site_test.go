package authority

import (
	"fmt"
	"os"
	"path"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func wholeMenu(tb testing.TB) map[string][]byte {
	tb.Helper()
	files, problems := drink.ReadFiles(os.DirFS("../../testdata/harbour-finch"))
	if err := problems.Err(); err != nil {
		tb.Fatal(err)
	}
	return files
}

var drinkNames = regexp.MustCompile(`(?m)^(id|name): .*$`)

// longMenu is a made-up book of n drinks, which are those of the demo again and
// again under other names.
func longMenu(tb testing.TB, n int) map[string][]byte {
	tb.Helper()
	out, round := wholeMenu(tb), []string{}
	delete(out, drink.SamplingFile) // it names drinks
	for file, src := range out {
		if path.Dir(file) == "drinks" {
			round = append(round, string(src))
			delete(out, file)
		}
	}
	for i := range n {
		id := fmt.Sprintf("drink-%d", i)
		out["drinks/"+id+".yaml"] = []byte(drinkNames.ReplaceAllString(round[i%len(round)], "$1: "+id))
	}
	return out
}

// releasedWith is a release of files with overlays, each pinned on those before.
func releasedWith(tb testing.TB, files map[string][]byte, overlays ...overlay.Overlay) ([]overlay.Overlay, *pb.Release) {
	tb.Helper()
	now := files
	for i, o := range overlays {
		pinned, err := overlay.Pin(now, o.Edits)
		if err != nil {
			tb.Fatal(err)
		}
		overlays[i].Edits = pinned
		got, err := overlay.Resolve(files, overlays[:i+1]...)
		if err != nil {
			tb.Fatal(err)
		}
		now = got.Files
	}
	book, problems := drink.LoadAndCheckFiles(now)
	if err := problems.Err(); err != nil {
		tb.Fatal(err)
	}
	return overlays, &pb.Release{Edition: 7, Book: wire.BookToProto(book)}
}

// TestOriginsAreThoseOfTheWholeBook resolves all files and asks each for its id,
// which is slow and plain, and wants the same of the part that is looked into.
func TestOriginsAreThoseOfTheWholeBook(t *testing.T) {
	files := wholeMenu(t)
	region := overlay.Overlay{Scope: "region.harbour", Reason: "Soft water", Edits: []overlay.Edit{
		{File: latteFile, Path: tempPath, Value: "59 °C"}, {File: "house.yaml", Path: "headspace_min", Value: "11 ml"}}}
	site := overlay.Overlay{Scope: "site.oyster-steps", Reason: "A small boiler", Edits: []overlay.Edit{
		{File: latteFile, Path: "checks.pour_height", Value: ""}, {File: "drinks/mocha.yaml", Path: "name", Value: "House mocha"}, {File: latteFile, Path: tempPath, Value: "58 °C"}}}
	for name, pile := range map[string][]overlay.Overlay{"none": nil, "a region's": {region}, "a region's and a site's": {region, site}} {
		pile, rel := releasedWith(t, files, append([]overlay.Overlay{}, pile...)...)
		whole, err := overlay.Resolve(files, pile...)
		if err != nil {
			t.Fatal(err)
		}
		asked := []string{"", "house", "nothing-of-it"}
		ids := map[string]string{}
		for file, src := range whole.Files {
			ids[file] = strings.TrimSuffix(path.Base(file), ".yaml")
			if id, _, ok := bookedit.Get(src, "id"); ok {
				ids[file], asked = id, append(asked, id)
			}
		}
		var s Service
		for _, drinkID := range asked {
			var set, rest []*pb.FieldOrigin
			for _, o := range whole.Origins {
				id := ids[o.File]
				p := &pb.FieldOrigin{File: o.File, Path: o.Path, Line: int32(o.Line), Value: o.Value, Reason: o.Reason, Replaced: o.Replaced} //nolint:gosec // a line
				if o.Source != overlay.Base && (drinkID == "" || id == drinkID) {
					p.Source = "overlays/" + o.Source
					set = append(set, p)
				} else if o.Source == overlay.Base && id == drinkID {
					p.Source = "edition 7"
					rest = append(rest, p)
				}
			}
			if diff := cmp.Diff(append(set, rest...), s.originsIn(files, pile, rel, drinkID), protocmp.Transform()); diff != "" {
				t.Errorf("overlays: %s, drink %q (-want +got):\n%s", name, drinkID, diff)
			}
		}
		other := proto.CloneOf(rel)
		other.Book.Chain = "another chain"
		if got := s.originsIn(files, pile, other, "latte"); got != nil {
			t.Errorf("%s: a book that the sources do not give has origins: %v", name, got)
		}
	}
}

// BenchmarkOrigins tells of one drink, as ResolveSite does for a page that opens
// it: the first of a book that is asked about, and one more.
func BenchmarkOrigins(b *testing.B) {
	for name, files := range map[string]map[string][]byte{"harbour-finch": wholeMenu(b), "200 drinks": longMenu(b, 200)} {
		ask := "drink-7"
		if files[latteFile] != nil {
			ask = "latte"
		}
		for of, pile := range map[string][]overlay.Overlay{"chain": nil,
			"region": {{Scope: "region.harbour", Edits: []overlay.Edit{{File: "drinks/" + ask + ".yaml", Path: "name", Value: "Another"}}}}} {
			pile, rel := releasedWith(b, files, pile...)
			for _, first := range []bool{true, false} {
				b.Run(fmt.Sprintf("%s/%s/first=%t", name, of, first), func(b *testing.B) {
					s := new(Service)
					for b.Loop() {
						if first {
							s = new(Service)
						}
						if got := s.originsIn(files, pile, rel, ask); len(got) == 0 {
							b.Fatal("no origin")
						}
					}
				})
			}
		}
	}
}
