package main

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
)

// headOffice serves an authority and returns its address and data directory.
func headOffice(t *testing.T) (addr, dir string) {
	t.Helper()
	dir = t.TempDir()
	srv, err := startBus(dir, "127.0.0.1:0", false, nil, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(srv.Shutdown)
	nc, err := bus.Connect(t.Context(), srv.URL(), "authority", zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	svc, err := authority.Open(t.Context(), authority.Config{Dir: filepath.Join(dir, "authority"), NATS: nc, BusURL: srv.URL()})
	if err != nil {
		t.Fatal(err)
	}
	lis, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: svc.Authorise})
	svc.Register(s)
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- rpc.Serve(ctx, s, lis, zap.NewNop()) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if err := svc.Close(); err != nil {
			t.Error(err)
		}
	})
	return lis.Addr().String(), filepath.Join(dir, "authority")
}

// officeCommands are the words of a call of each command that asks the
// authority; "~" stands for its data directory and "$" for an empty folder.
var officeCommands = map[string]string{
	"publish":          "../../testdata/harbour-finch-counter",
	"releases":         "",
	"site add":         "salt-lane",
	"site change":      "tannery-row --people 3",
	"site list":        "",
	"station-code":     "tannery-row bar-1",
	"stations":         "",
	"keys add":         "~/keys/keylist-1",
	"keys rotate":      "--label winter --save $",
	"draft create":     "Winter",
	"draft list":       "",
	"draft show":       "late",
	"draft set":        "late drinks/latte.yaml checks.milk_temp.target 61°C",
	"draft put":        "late --book ../../testdata/harbour-finch drinks/latte.yaml",
	"draft comment":    "late warm",
	"draft export":     "late $/late",
	"draft import":     "late ../../testdata/harbour-finch",
	"draft review":     "late",
	"draft rebase":     "late",
	"draft propose":    "late",
	"draft approve":    "late",
	"draft return":     "late --reason no",
	"draft withdraw":   "late --reason no",
	"overlay create":   "site.oyster-steps --reason hot drinks/latte.yaml checks.milk_temp.target 61°C",
	"overlay list":     "",
	"overlay show":     "site.tannery-row",
	"overlay review":   "site.tannery-row",
	"overlay approve":  "site.tannery-row",
	"overlay rebase":   "site.tannery-row",
	"overlay retire":   "site.tannery-row --reason no",
	"resolve":          "tannery-row",
	"rollout start":    "late --wave all",
	"rollout list":     "",
	"rollout show":     "",
	"rollout adoption": "",
	"rollout watch":    "99", // else it would go on and on
	"rollout go":       "--reason fine",
	"rollout halt":     "--reason odd",
	"rollout resume":   "--reason fine",
	"rollout back":     "--reason odd",
	"stop order":       "drink latte --reason x",
	"stop list":        "",
	"stop show":        "1",
	"stop seen":        "1 --site tannery-row --person Mia",
	"stop lift":        "1 --reason fine",
	"person add":       "eve --role author",
	"person list":      "",
	"person change":    "oli --role author",
	"person me":        "",
	"training seen":    "tannery-row 2 --person Mia",
	"training show":    "2",
	"record show":      "",
	"record verify":    "",
}

// askers are the commands that ask the authority, by their path.
func askers() map[string]*cobra.Command {
	out := map[string]*cobra.Command{}
	var walk func(*cobra.Command)
	walk = func(c *cobra.Command) {
		if f := c.Flags().Lookup("to"); f != nil && f.Usage == "address of the authority" {
			out[strings.TrimPrefix(c.CommandPath(), "samecup ")] = c
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(rootCommand())
	return out
}

// Once somebody was added, a command that changes something says what to do
// where there is no token or the role is missing, and is let through with a token
// of somebody who may; those that only read need none.
func TestEveryCommandSendsTheTokenAndSaysWhatToDoWithoutOne(t *testing.T) {
	addr, dir := headOffice(t)
	t.Setenv(tokenVariable, "")
	words := func(path string) []string {
		rest := strings.NewReplacer("~", dir, "$", t.TempDir()).Replace(officeCommands[path])
		return slices.Concat(strings.Fields(path), strings.Fields(rest), []string{"--to", addr})
	}
	ok := func(args ...string) string {
		t.Helper()
		out, code := runBookCommand(t, append(args, "--to", addr)...)
		if code != 0 {
			t.Fatalf("%v: code %d: %s", args, code, out)
		}
		return out
	}
	ok("site", "add", "tannery-row")
	ok("site", "add", "oyster-steps")
	ok("publish", "../../testdata/harbour-finch-counter")
	ok("draft", "create", "Autumn")
	ok("draft", "set", "autumn", "drinks/latte.yaml", "checks.milk_temp.target", "61 °C")
	ok("draft", "propose", "autumn")
	cc, err := rpc.Dial(addr)
	if err != nil {
		t.Fatal(err)
	}
	defer cc.Close()
	review, err := pb.NewDraftServiceClient(cc).ReviewDraft(t.Context(), &pb.ReviewDraftRequest{Name: "drafts/autumn"})
	if err != nil {
		t.Fatal(err)
	}
	approve := []string{"draft", "approve", "autumn"}
	for _, c := range review.Cautions {
		approve = append(approve, "--caution", c.Id)
	}
	ok(approve...)
	ok("rollout", "start", "autumn", "--wave", "sites:oyster-steps", "--wave", "all")
	ok("draft", "create", "Late")
	ok("overlay", "create", "site.tannery-row", "--reason", "hot", "drinks/latte.yaml", "checks.milk_temp.target", "60 °C")
	ok("stop", "order", "lot", "A7", "--reason", "recall")

	people := pb.NewGovernanceServiceClient(cc)
	max, err := people.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: "max",
		Roles: []string{"administrator", "fleet-manager", "author", "approver", "food-safety"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv(tokenVariable, max.Token)
	auditor := strings.Fields(ok("person", "add", "oli", "--role", "auditor"))
	oli := auditor[len(auditor)-1]

	found := askers()
	for path := range officeCommands {
		if found[path] == nil {
			t.Errorf("%q is no command that asks the authority", path)
		}
	}
	for path, cmd := range found {
		if _, known := officeCommands[path]; !known {
			t.Errorf("samecup %s asks the authority and is not tried here", path)
			continue
		}
		t.Run(path, func(t *testing.T) {
			writes := cmd.Flags().Lookup("request-id") != nil
			if cmd.Flags().Lookup("as") == nil {
				t.Error("it has no --as")
			}
			for _, c := range []struct{ who, token, want string }{
				{"nobody", "", "needs a person's token, and the call carries none; give the file that holds yours with --as, or the token itself in the variable SAMECUP_TOKEN"},
				{"an auditor", oli, "ask an administrator"},
				{"a stranger", "sct_wrong", "the token belongs to nobody"},
			} {
				t.Setenv(tokenVariable, c.token)
				out, code := runBookCommand(t, words(path)...)
				switch {
				case c.who != "a stranger" && !writes:
					if strings.Contains(out, "token") && path != "person me" || strings.Contains(out, "may not") {
						t.Errorf("%s may not read: %s", c.who, out)
					}
				case path == "publish" && strings.Contains(out, "released by an approved draft"):
				case code == 0 || !strings.Contains(out, c.want):
					t.Errorf("%s: code %d: %s", c.who, code, out)
				}
			}
		})
	}
	// Last, since it changes what is there.
	t.Setenv(tokenVariable, max.Token)
	for path := range found {
		if out, _ := runBookCommand(t, words(path)...); strings.Contains(out, "person's token") || strings.Contains(out, "belongs to nobody") || strings.Contains(out, "it needs") {
			t.Errorf("samecup %s with the token of somebody who may: %s", path, out)
		}
	}
}

func TestRecoveringAPersonNeedsTheAuthorityToStandStill(t *testing.T) {
	_, dir := headOffice(t)
	saved := filepath.Join(t.TempDir(), "max.token")
	out, code := runBookCommand(t, "person", "recover", "max", "--data", filepath.Dir(dir), "--save", saved)
	if code != 1 || !strings.Contains(out, "the authority is running; stop it") {
		t.Errorf("beside a running authority: code %d: %s", code, out)
	}
	if _, err := os.Stat(saved); err == nil {
		t.Error("an empty token file was left")
	}
	if out, code := runBookCommand(t, "person", "recover", "max", "--data", t.TempDir()); code != 2 || !strings.Contains(out, "holds no authority.db") {
		t.Errorf("an empty directory: code %d: %s", code, out)
	}
}
