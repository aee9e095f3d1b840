package console

import (
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path"
	"regexp"
	"strings"
	"testing"

	"github.com/google/uuid"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/testdata"
)

var drinkNames = regexp.MustCompile(`(?m)^(id|name): .*$`)

// longMenu is a made-up book of n drinks, which are those of the demo again and
// again under other names; drink-0 is a latte.
func longMenu(b *testing.B, n int) map[string][]byte {
	b.Helper()
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		b.Fatal(err)
	}
	out, problems := drink.ReadFiles(sub)
	if err := problems.Err(); err != nil {
		b.Fatal(err)
	}
	delete(out, drink.SamplingFile) // it names drinks
	round := []string{string(out["drinks/latte.yaml"])}
	for file, src := range out {
		if path.Dir(file) == "drinks" {
			if file != "drinks/latte.yaml" {
				round = append(round, string(src))
			}
			delete(out, file)
		}
	}
	for i := range n {
		id := fmt.Sprintf("drink-%d", i)
		out[drinkFile(id)] = []byte(drinkNames.ReplaceAllString(round[i%len(round)], "$1: "+id))
	}
	return out
}

// BenchmarkOverlayEditor asks for the editor's pages with a book of 200 drinks. An
// edition's sources come of a draft, all of them, or of a site, file by file; the
// first page of a console has to find them.
func BenchmarkOverlayEditor(b *testing.B) {
	c, err := openChain(officeAt)
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := c.close(); err != nil {
			b.Error(err)
		}
	}()
	ctx := b.Context()
	for _, s := range testSites {
		if _, err := pb.NewFleetServiceClient(c.cc).CreateSite(ctx, &pb.CreateSiteRequest{Site: s}); err != nil {
			b.Fatal(err)
		}
	}
	files := longMenu(b, 200)
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Note: "a long menu", Author: "test"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	if _, err := pb.NewBookServiceClient(c.cc).CreateRelease(ctx, req); err != nil {
		b.Fatal(err)
	}
	if err := c.hire(ctx); err != nil {
		b.Fatal(err)
	}
	if err := c.serveQuality(ctx); err != nil {
		b.Fatal(err)
	}
	con, err := New(Config{Authority: c.cc, Quality: c.qc, Now: c.now, Log: zap.NewNop()})
	if err != nil {
		b.Fatal(err)
	}
	at, handler := "http://localhost", con.Handler()
	signIn := httptest.NewRequestWithContext(ctx, http.MethodPost, at+"/sign-in", strings.NewReader(url.Values{"token": {c.tokens["ada"]}}.Encode()))
	signIn.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	in := httptest.NewRecorder()
	handler.ServeHTTP(in, signIn)

	const latte, scope = "drinks/drink-0.yaml", "?scope=site.oyster-steps"
	open := scope + "&file=" + url.QueryEscape(latte)
	one := open + "&set=" + url.QueryEscape(`[["`+latte+`","`+milkTarget+`","59 °C"]]`)
	house := open + "&set=" + url.QueryEscape(`[["house.yaml","milk_hot_factor","1.115"]]`)
	many := make([]string, 100)
	for i := range many {
		many[i] = fmt.Sprintf(`["drinks/drink-%d.yaml","name","Another %d"]`, i, i)
	}
	trying := url.Values{"path": {milkTarget}, "try": {"58 °C"}}.Encode()
	for _, page := range []struct{ name, path string }{
		{"chosen", overlayNew + scope}, {"opened", overlayNew + open}, {"one set", overlayNew + one}, {"house set", overlayNew + house},
		{"100 set", overlayNew + open + "&set=" + url.QueryEscape("["+strings.Join(many, ",")+"]")}, {"tried", overlayNew + "/try" + open + "&" + trying},
	} {
		for _, from := range []string{"first of a site", "of a site", "of a draft"} {
			b.Run(page.name+"/"+from, func(b *testing.B) {
				con.bases = baseCache{}
				if from == "of a draft" {
					con.bases.put(1, files, true)
				}
				for b.Loop() {
					if from == "first of a site" {
						con.bases, con.books.by = baseCache{}, nil
					}
					ask := httptest.NewRequestWithContext(ctx, http.MethodGet, at+page.path, nil)
					for _, k := range in.Result().Cookies() {
						ask.AddCookie(k)
					}
					got := httptest.NewRecorder()
					if handler.ServeHTTP(got, ask); got.Code != http.StatusOK {
						b.Fatalf("%d, want 200", got.Code)
					}
				}
			})
		}
	}
}
