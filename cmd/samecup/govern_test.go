package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// governCommands are the commands of this part of the command line.
func governCommands() []*cobra.Command {
	return []*cobra.Command{draftCommand(), overlayCommand(), resolveCommand(), rolloutCommand(), stopCommand(), personCommand(),
		trainingCommand(), recordCommand(), siteCommand(), stationCodeCommand(), stationsCommand(), releasesCommand(), publishCommand(), keysAddCommand(), keysRotateCommand()}
}

// Each example names flags and numbers of words that the command takes.
func TestEveryGovernCommandHasAnExampleThatParses(t *testing.T) {
	var seen int
	var walk func(*cobra.Command)
	walk = func(c *cobra.Command) {
		seen++
		if c.Short == "" || !strings.Contains(c.Example, "samecup ") {
			t.Errorf("%s: has no short help or no example", c.CommandPath())
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
		if c.Runnable() {
			checkExamples(t, c)
		}
	}
	for _, c := range governCommands() {
		if strings.HasPrefix(c.Use, "add FILE") || strings.HasPrefix(c.Use, "rotate") {
			parent := &cobra.Command{Use: "keys"}
			parent.AddCommand(c)
		}
		walk(c)
	}
	if seen < 50 {
		t.Errorf("walked %d commands only", seen)
	}
}

func checkExamples(t *testing.T, c *cobra.Command) {
	t.Helper()
	path := "samecup " + c.CommandPath()
	found := false
	for line := range strings.SplitSeq(strings.ReplaceAll(c.Example, "\\\n", " "), "\n") {
		rest, ok := strings.CutPrefix(strings.TrimSpace(line), path)
		if !ok {
			continue
		}
		found = true
		rest, _, _ = strings.Cut(rest, " | ")
		// A fresh flag set each time, as a real call has.
		if err := c.ParseFlags(exampleWords(rest)); err != nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		if err := c.Args(c, c.Flags().Args()); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		if err := c.ValidateRequiredFlags(); err != nil {
			t.Errorf("%s: %v", line, err)
		}
	}
	if !found {
		t.Errorf("%s: no example calls it", path)
	}
}

// exampleWords splits as a shell does, for what examples use.
func exampleWords(line string) (words []string) {
	for line = strings.TrimSpace(line); line != ""; line = strings.TrimSpace(line) {
		q := line[:1]
		if q != `"` && q != "'" {
			q = " "
		} else {
			line = line[1:]
		}
		word, rest, _ := strings.Cut(line, q)
		words, line = append(words, word), rest
	}
	return words
}

func minutes(n int32) *int32 { return &n }

func TestParseWhen(t *testing.T) {
	for _, c := range []struct {
		on, at string
		want   *pb.When
		fault  string
	}{
		{"", "", nil, ""},
		{"2026-10-25", "", &pb.When{BusinessDay: "2026-10-25"}, ""},
		{"2026-10-25", "opening", &pb.When{BusinessDay: "2026-10-25"}, ""},
		{"2026-10-25", "06:30", &pb.When{BusinessDay: "2026-10-25", MinuteOfDay: minutes(390)}, ""},
		{"2026-10-25", "00:00", &pb.When{BusinessDay: "2026-10-25", MinuteOfDay: minutes(0)}, ""},
		{"2028-02-29", "23:59", &pb.When{BusinessDay: "2028-02-29", MinuteOfDay: minutes(1439)}, ""},
		{"", "opening", nil, "name the business day too"},
		{"2026-02-29", "", nil, "a date that exists"},
		{"25.10.2026", "", nil, "a date that exists"},
		{"2026-10-25", "24:00", nil, "00:00 to 23:59"},
		{"2026-10-25", "closing", nil, "write opening"},
	} {
		got, err := parseWhen(c.on, c.at)
		wantFault(t, c.on+" "+c.at, err, c.fault)
		if diff := cmp.Diff(c.want, got, protocmp.Transform()); diff != "" {
			t.Errorf("%q %q: %s", c.on, c.at, diff)
		}
	}
	if got := whenWords(&pb.When{BusinessDay: "2026-10-25", MinuteOfDay: minutes(390)}); got != "at 06:30 by each site's clock on 2026-10-25" {
		t.Error(got)
	}
}

// wantFault asks for exit code 2 and the words, or for no error with none.
func wantFault(t *testing.T, input string, err error, fault string) {
	t.Helper()
	if fault == "" {
		if err != nil {
			t.Errorf("%s: %v", input, err)
		}
		return
	}
	if e, ok := errors.AsType[exitError](err); !ok || e.code != 2 || !strings.Contains(e.msg, fault) {
		t.Errorf("%s: %v, want code 2 with %q", input, err, fault)
	}
}

func TestParseWaves(t *testing.T) {
	for _, c := range []struct {
		in    []string
		want  []*pb.Wave
		fault string
	}{
		{[]string{"sites:tannery-row,lantern-hill", "20%", "all"}, []*pb.Wave{{Sites: []string{"tannery-row", "lantern-hill"}}, {SharePercent: 20}, {All: true}}, ""},
		{[]string{" sites: sites/oyster-steps ", "1 %", "99%"}, []*pb.Wave{{Sites: []string{"oyster-steps"}}, {SharePercent: 1}, {SharePercent: 99}}, ""},
		{[]string{"sites:"}, nil, `"" cannot be a site`},
		{[]string{"sites:a,a"}, nil, "a is named twice"},
		{[]string{"sites:Tannery Row"}, nil, "cannot be a site"},
		{[]string{"0%"}, nil, "1% to 99%"},
		{[]string{"100%"}, nil, "1% to 99%"},
		{[]string{"-5%"}, nil, "1% to 99%"},
		{[]string{"12.5%"}, nil, "1% to 99%"},
		{[]string{"20"}, nil, "none of the three kinds"},
		{[]string{""}, nil, "none of the three kinds"},
		{[]string{"all", "20%"}, nil, "put all last"},
	} {
		got, err := parseWaves(c.in)
		wantFault(t, strings.Join(c.in, " "), err, c.fault)
		if diff := cmp.Diff(c.want, got, protocmp.Transform()); diff != "" {
			t.Errorf("%q: %s", c.in, diff)
		}
	}
}

func FuzzParseWave(f *testing.F) {
	for _, s := range []string{"all", "20%", "sites:a,b", "sites:", "%"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		w, err := parseWave(s)
		if err != nil {
			return
		}
		kinds := 0
		for _, is := range []bool{w.All, len(w.Sites) > 0, w.SharePercent > 0 && w.SharePercent < 100} {
			if is {
				kinds++
			}
		}
		if kinds != 1 {
			t.Errorf("%q is %v", s, w)
		}
	})
}

func TestParseEdits(t *testing.T) {
	latte := "drinks/latte.yaml"
	got, err := parseEdits([]string{latte, "servings[size=medium].vessel", "p350", latte, "note", ""})
	if err != nil {
		t.Fatal(err)
	}
	want := []*pb.FieldEdit{{File: latte, Path: "servings[size=medium].vessel", Value: "p350"}, {File: latte, Path: "note"}}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	for fault, args := range map[string][]string{
		"2 words after the name": {latte, "note"},
		"4 words after the name": {latte, "note", "x", latte},
		"FILE is empty":          {"", "note", "x"},
		`PATH "servings[": `:     {latte, "servings[", "x"},
		"0 words":                nil,
	} {
		_, err := parseEdits(args)
		wantFault(t, strings.Join(args, " "), err, fault)
	}
}

func TestCallerToken(t *testing.T) {
	t.Setenv(tokenVariable, " from-env\n")
	dir := t.TempDir()
	file := func(name, content string, mode os.FileMode) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(content), mode); err != nil {
			t.Fatal(err)
		}
		return p
	}
	for _, c := range []struct{ file, want, fault string }{
		{"", "from-env", ""},
		{file("good", "tok\n", 0o600), "tok", ""},
		{file("empty", "\n", 0o600), "", "holds no token"},
		{file("two", "a\nb\n", 0o600), "", "holds no token"},
		{filepath.Join(dir, "none"), "", "--as"},
	} {
		got, err := callerToken(c.file)
		wantFault(t, c.file, err, c.fault)
		if got != c.want {
			t.Errorf("%s: %q", c.file, got)
		}
	}
	if runtime.GOOS != "windows" {
		_, err := callerToken(file("open", "tok\n", 0o644))
		wantFault(t, "open", err, "others may read it")
	}
}

// The bytes in a mark say what an import is based on.
func TestExportedDraftKnowsItsEtag(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "autumn")
	d := &pb.Draft{Name: "drafts/autumn-menu", Etag: "e1", Files: []*pb.SourceFile{{Path: "book.yaml", Content: []byte("a: 1\n")}, {Path: "drinks/latte.yaml", Content: []byte("b: 2\n")}}}
	if err := exportDraft(dir, d); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	if name, etag, err := readDraftMark(root); name != d.Name || etag != d.Etag || err != nil {
		t.Errorf("mark is %q %q %v", name, etag, err)
	}
	files, err := bookFiles(dir)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(d.Files, files, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	wantFault(t, "export again", exportDraft(dir, d), "holds a book already")
	d.Files = []*pb.SourceFile{{Path: "../escape.yaml", Content: []byte("x")}}
	if err := exportDraft(filepath.Join(t.TempDir(), "x"), d); err == nil {
		t.Error("a file outside the folder was written")
	}
	if got := missingFiles(files, files[:1]); !cmp.Equal(got, []string{"drinks/latte.yaml"}) {
		t.Error(got)
	}
}

// TestLongCallsDoNotWaitForAnAuthorityThatIsNotThere has nobody listen.
func TestLongCallsDoNotWaitForAnAuthorityThatIsNotThere(t *testing.T) {
	for _, args := range [][]string{{"record", "show"}, {"record", "verify"}} {
		root := rootCommand()
		root.SetOut(io.Discard)
		root.SetErr(io.Discard)
		root.SetArgs(append(args, "--to", "127.0.0.1:1"))
		ctx, cancel := context.WithTimeout(t.Context(), 10*callWait)
		err := root.ExecuteContext(ctx)
		if err == nil || ctx.Err() != nil {
			t.Errorf("%v: %v, and the context: %v", args, err, ctx.Err())
		}
		cancel()
	}
}

func TestALostAnswerSaysHowToRepeat(t *testing.T) {
	a := ask{acts: true, etag: "e7"}
	id := a.id()
	if id != a.id() || id[14] != '7' {
		t.Errorf("request id %s: want one UUIDv7 for the command", id)
	}
	err := a.failed(status.Error(codes.DeadlineExceeded, "too late"))
	if err == nil || !strings.Contains(err.Error(), "--request-id "+id+" --etag e7") {
		t.Error(err)
	}
	reads := ask{requestID: "x"}
	if err := reads.failed(status.Error(codes.Unavailable, "gone")); strings.Contains(err.Error(), "request-id") {
		t.Error(err)
	}
	if err := a.failed(rpc.Fail(codes.Unauthenticated, "TOKEN_MISSING", "no token", nil)); !strings.Contains(err.Error(), "--as") {
		t.Error(err)
	}
}

func TestProgressBar(t *testing.T) {
	for _, c := range []struct {
		done, total uint64
		want        string
	}{
		{0, 0, "[------------------------------]   0 %"},
		{1, 2, "[###############---------------]  50 %"},
		{9, 3, "[##############################] 100 %"},
		{1 << 63, 1<<64 - 1, "[###############---------------]  50 %"},
	} {
		if got := progressBar(c.done, c.total); got != c.want {
			t.Errorf("%d of %d: %s", c.done, c.total, got)
		}
	}
}

func TestLiveLineWritesEachLineOnce(t *testing.T) {
	var out bytes.Buffer
	live := newLiveLine(&out)
	r := &pb.Rollout{Edition: 12, State: pb.RolloutState_ROLLOUT_STATE_RUNNING, OpenWaves: 1, Waves: []*pb.Wave{{}, {}}, Adoption: &pb.AdoptionCounts{Expected: 2, HasIt: 1}}
	for range 2 {
		if err := live.show(watchLine(r, live.terminal)); err != nil {
			t.Fatal(err)
		}
	}
	live.end()
	if want := "edition 12 running, wave 1 of 2: of 2 stations, 1 have it (0 use it), 0 stale, 0 refused, 0 silent\n"; out.String() != want {
		t.Errorf("got %q", out.String())
	}
}

func TestFollowConnectsAgainAndEnds(t *testing.T) {
	tries := 0
	err := follow(t.Context(), func(context.Context) error {
		if tries++; tries == 1 {
			return io.EOF
		}
		return nil
	})
	if err != nil || tries != 2 {
		t.Errorf("%d tries, %v", tries, err)
	}
	denied := status.Error(codes.PermissionDenied, "no")
	if err := follow(t.Context(), func(context.Context) error { return denied }); !errors.Is(err, denied) {
		t.Error(err)
	}
}

// people stands in for the authority, to see what a command sends.
type people struct {
	pb.UnimplementedGovernanceServiceServer
	token string
	got   *pb.CreatePersonRequest
}

func (p *people) CreatePerson(ctx context.Context, req *pb.CreatePersonRequest) (*pb.CreatePersonResponse, error) {
	p.got = proto.CloneOf(req)
	var err error
	if p.token, _, err = rpc.Token(ctx); err != nil {
		return nil, err
	}
	return &pb.CreatePersonResponse{Person: &pb.Person{Name: "people/" + req.PersonId, DisplayName: req.DisplayName, Roles: req.Roles}, Token: "secret"}, nil
}

func TestPersonAddSendsTheTokenAndKeepsTheNewOne(t *testing.T) {
	lis, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	p := &people{}
	pb.RegisterGovernanceServiceServer(srv, p)
	go func() { _ = srv.Serve(lis) }()
	t.Cleanup(srv.Stop)
	t.Setenv(tokenVariable, "mine")
	saved := filepath.Join(t.TempDir(), "ben.token")
	args := []string{"person", "add", "ben", "--role", "approver", "--role", "author", "--to", lis.Addr().String()}
	out, code := runBookCommand(t, args...)
	if code != 0 || !strings.HasSuffix(out, "\nsecret\n") {
		t.Errorf("code %d: %s", code, out)
	}
	if p.token != "mine" || p.got.DisplayName != "ben" || len(p.got.Roles) != 2 || p.got.RequestId[14] != '7' {
		t.Errorf("token %q, request %v", p.token, p.got)
	}
	out, code = runBookCommand(t, append(args, "--save", saved)...)
	if code != 0 || strings.Contains(out, "secret") {
		t.Errorf("code %d: %s", code, out)
	}
	if got, err := callerToken(saved); got != "secret" || err != nil {
		t.Errorf("saved %q, %v", got, err)
	}
	if _, code := runBookCommand(t, append(args, "--save", saved)...); code != 2 {
		t.Errorf("an existing token file: code %d", code)
	}
}
