package rpc_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// root is the module's directory.
const root = "../.."

var reasonPattern = regexp.MustCompile(`^[A-Z][A-Z0-9]*(_[A-Z0-9]+)*$`)

// makers are the functions that make an error, by which of their arguments is
// the reason.
var makers = map[string]int{"Fail": 1, "Blocked": 0, "Conflict": 0, "violated": 1, "refuse": 1, "blocked": 0}

// emitted are the reasons that the code can give, each with a place.
func emitted(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, dir := range []string{"internal", "services", "station", "cmd"} {
		err := filepath.WalkDir(filepath.Join(root, dir), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			fset := token.NewFileSet()
			f, err := parser.ParseFile(fset, path, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			ast.Inspect(f, func(n ast.Node) bool {
				for _, e := range reasonsIn(n) {
					if text, ok := literal(e); ok && reasonPattern.MatchString(text) {
						out[text] = fset.Position(e.Pos()).String()
					}
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// reasonsIn are the expressions of a node that are reasons: of an error that is
// made, a field Reason, a constant that is named or typed so.
func reasonsIn(n ast.Node) (out []ast.Expr) {
	switch n := n.(type) {
	case *ast.CallExpr:
		name := ""
		switch f := n.Fun.(type) {
		case *ast.Ident:
			name = f.Name
		case *ast.SelectorExpr:
			name = f.Sel.Name
		}
		if i, ok := makers[name]; ok && i < len(n.Args) {
			out = append(out, n.Args[i])
		}
	case *ast.KeyValueExpr:
		if k, ok := n.Key.(*ast.Ident); ok && k.Name == "Reason" {
			out = append(out, n.Value)
		}
	case *ast.ValueSpec:
		typed, _ := n.Type.(*ast.Ident)
		for i, v := range n.Values {
			if typed != nil && typed.Name == "Reason" || strings.HasPrefix(strings.ToLower(n.Names[i].Name), "reason") {
				out = append(out, v)
			}
		}
	}
	return out
}

func literal(e ast.Expr) (string, bool) {
	l, ok := e.(*ast.BasicLit)
	if !ok || l.Kind != token.STRING {
		return "", false
	}
	s, err := strconv.Unquote(l.Value)
	return s, err == nil
}

// told are the reasons in backticks of a section.
func told(t *testing.T, file, from, to string) map[string]bool {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(root, file))
	if err != nil {
		t.Fatal(err)
	}
	_, section, ok := strings.Cut(string(b), from)
	if !ok {
		t.Fatalf("%s has no %q", file, from)
	}
	if to != "" {
		section, _, _ = strings.Cut(section, to)
	}
	out := map[string]bool{}
	for _, m := range regexp.MustCompile("`([A-Z][A-Z0-9_]+)`").FindAllStringSubmatch(section, -1) {
		out[m[1]] = true
	}
	return out
}

// Whoever meets a reason can look it up, and finds nothing there that is gone.
func TestEveryReasonIsInTheTable(t *testing.T) {
	code := emitted(t)
	if len(code) < 90 {
		t.Fatalf("only %d reasons were found in the source; the test looks in the wrong places", len(code))
	}
	table := told(t, "DEVELOPERS.md", "\n## Errors\n", "\n## ")
	keys := told(t, "docs/keys.md", "\n## Reasons for a refusal\n", "")
	for _, reason := range slices.Sorted(maps.Keys(code)) {
		if !table[reason] && !keys[reason] {
			t.Errorf("%s (%s) is in no table: add it to DEVELOPERS.md, \"Errors\"", reason, code[reason])
		}
	}
	for reason := range table {
		if code[reason] == "" && !strings.Contains("INVALID_ARGUMENT NOT_FOUND ALREADY_EXISTS PERMISSION_DENIED UNAUTHENTICATED FAILED_PRECONDITION ABORTED UNAVAILABLE RESOURCE_EXHAUSTED", reason) {
			t.Errorf("DEVELOPERS.md lists %s, and nothing gives it any more", reason)
		}
	}
}
