package look_test

import (
	"math"
	"regexp"
	"strings"
	"testing"

	"samecup.example/samecup/internal/look"
)

func TestEveryPairReachesItsContrast(t *testing.T) {
	for _, s := range []look.Scheme{look.Light, look.Dark} {
		c, err := look.Colours(s)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range look.Pairs() {
			got, err := look.Contrast(c[p.Fore], c[p.Back])
			if err != nil {
				t.Fatalf("%s: %s on %s: %v", s, p.Fore, p.Back, err)
			}
			if got < p.Min {
				t.Errorf("%s: %s %s on %s %s has contrast %.2f; want at least %.1f", s, p.Fore, c[p.Fore], p.Back, c[p.Back], got, p.Min)
			}
		}
	}
}

// The definition is that of WCAG 2.2, "contrast ratio"; black on white is 21 by
// it, and #767676 is its well-known lightest grey of 4.5 on white.
func TestContrastAgreesWithTheGuideline(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want float64
	}{{"#000000", "#ffffff", 21}, {"#ffffff", "#000000", 21}, {"#777777", "#777777", 1}, {"#767676", "#ffffff", 4.54}} {
		got, err := look.Contrast(c.a, c.b)
		if err != nil || math.Abs(got-c.want) > 0.01 {
			t.Errorf("contrast of %s and %s is %.3f, %v; want %.2f", c.a, c.b, got, err, c.want)
		}
	}
	for _, bad := range []string{"", "red", "#12345", "#12345g"} {
		if _, err := look.Contrast(bad, "#ffffff"); err == nil {
			t.Errorf("colour %q was taken", bad)
		}
	}
}

func TestDarkOverridesEveryColour(t *testing.T) {
	light, err := look.Colours(look.Light)
	if err != nil {
		t.Fatal(err)
	}
	dark, err := look.Colours(look.Dark)
	if err != nil {
		t.Fatal(err)
	}
	for name, l := range light {
		if dark[name] == l {
			t.Errorf("the dark scheme leaves --%s at %s", name, l)
		}
	}
	if _, err := look.Colours("sepia"); err == nil {
		t.Error("an unknown scheme was taken")
	}
}

func TestBaseUsesOnlyTokensThatExist(t *testing.T) {
	css := string(look.CSS())
	for _, m := range regexp.MustCompile(`var\(--([a-z0-9-]+)\)`).FindAllStringSubmatch(css, -1) {
		if !strings.Contains(css, "--"+m[1]+":") {
			t.Errorf("--%s is used and not declared", m[1])
		}
	}
	base, err := look.FS.ReadFile("base.css")
	if err != nil {
		t.Fatal(err)
	}
	if m := regexp.MustCompile(`#[0-9a-f]{3,8}\b`).Find(base); m != nil {
		t.Errorf("base.css names the colour %s; use a token", m)
	}
}
