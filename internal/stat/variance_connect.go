package stat

import (
	"fmt"
	"sort"
	"strings"
)

// Connection says whether the effects of two factors can be told apart. Levels
// are linked when they were ever seen together; levels in different Islands
// have no comparison in common.
type Connection struct {
	A, B string `json:"-"`
	// Islands lists, for each connected part, the levels of A in it.
	Islands [][]string `json:"islands"`
	// Movers counts the levels of B seen at more than one level of A.
	Movers    int    `json:"movers"`
	Separable bool   `json:"separable"`
	Words     string `json:"words"`
}

// Connected looks for a path between every pair of levels in the bipartite
// graph of two factors, such as site and barista: where no barista moves, a
// difference between sites is a "site-team effect" and no sum can split it.
//
// Source: Weeks and Williams, Technometrics 6 (1964) 319-324 (connectedness).
func Connected(a, b Factor) (Connection, error) {
	n := len(a.Levels)
	if n == 0 {
		return Connection{}, inputErr("levels of "+a.Name, 0, "at least one value")
	}
	ga, err := group(a, n)
	if err != nil {
		return Connection{}, err
	}
	gb, err := group(b, n)
	if err != nil {
		return Connection{}, err
	}
	na := len(ga.names)
	parent := indexes(na + len(gb.names))
	find := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	seen := make([]map[int]bool, len(gb.names))
	for i := range n {
		x, y := ga.of[i], gb.of[i]
		parent[find(x)] = find(na + y)
		if seen[y] == nil {
			seen[y] = map[int]bool{}
		}
		seen[y][x] = true
	}
	c := Connection{A: a.Name, B: b.Name}
	for _, s := range seen {
		if len(s) > 1 {
			c.Movers++
		}
	}
	islands := map[int][]string{}
	for i, name := range ga.names {
		islands[find(i)] = append(islands[find(i)], name)
	}
	for _, names := range islands {
		c.Islands = append(c.Islands, names)
	}
	sort.Slice(c.Islands, func(i, j int) bool { return c.Islands[i][0] < c.Islands[j][0] })
	c.Separable = len(c.Islands) == 1 && (na == 1 || c.Movers > 0)
	c.Words = c.words()
	return c, nil
}

func (c Connection) words() string {
	if c.Separable {
		return fmt.Sprintf("%s and %s can be told apart: %d levels of %s were seen at more than one %s", c.A, c.B, c.Movers, c.B, c.A)
	}
	parts := make([]string, len(c.Islands))
	for i, names := range c.Islands {
		parts[i] = strings.Join(names, " + ")
	}
	name := c.A + "-" + c.B + " effect"
	if c.B == "barista" || strings.HasPrefix(c.B, "barista(") {
		name = c.A + "-team effect"
	}
	return fmt.Sprintf("%s and %s cannot be told apart between %s: read each difference there as a %s; a %s who works at both would separate them",
		c.A, c.B, strings.Join(parts, " | "), name, c.B)
}

func indexes(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}
