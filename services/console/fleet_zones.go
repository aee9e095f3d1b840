package console

import (
	_ "embed" // zones.txt
	"strings"
	_ "time/tzdata" // the names have to mean something on a bare machine too
)

//go:embed zones.txt
var zonesText string

// zoneGroup is the zones of one part of the world.
type zoneGroup struct {
	Name  string
	Zones []choice
}

// zoneGroups lists the time zones of the IANA database that a shop may lie in,
// with one chosen; a zone that the list has not is kept at its end.
func zoneGroups(chosen string) []zoneGroup {
	var out []zoneGroup
	found := false
	for _, z := range strings.Fields(withoutComments(zonesText)) {
		part, place, ok := strings.Cut(z, "/")
		if !ok {
			part, place = "Other", z
		}
		if len(out) == 0 || out[len(out)-1].Name != part {
			out = append(out, zoneGroup{Name: part})
		}
		g := &out[len(out)-1]
		g.Zones = append(g.Zones, choice{z, strings.ReplaceAll(place, "_", " "), z == chosen})
		found = found || z == chosen
	}
	if !found && chosen != "" {
		out = append(out, zoneGroup{"As it stands", []choice{{chosen, chosen, true}}})
	}
	return out
}

func withoutComments(s string) string {
	var out []string
	for l := range strings.Lines(s) {
		if !strings.HasPrefix(l, "#") {
			out = append(out, l)
		}
	}
	return strings.Join(out, "")
}
