package console

import (
	"fmt"
	"slices"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

// findingSites are shown beside the others together.
const findingSites = 3

// findingFigure shows how often something was found that is no value, day by day at
// the sites concerned and at all others together: before a rule of the site went
// missing, say, and since. It has no limits and no tolerance: what is unsafe is told
// each time, and the watch keeps the limits of the rest.
func (v *visit) findingFigure(k *pb.Case, kind string, drinks []string, s span) (*Figure, error) {
	if len(k.Sites) == 0 {
		return nil, nil
	}
	f := s.filter()
	f.Drinks = drinks
	rows, err := v.rollups(&pb.QueryRollupsRequest{Filter: f, Findings: true, GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_SITE, pb.RollupDimension_ROLLUP_DIMENSION_DAY}}, nil)
	if err != nil {
		return nil, err
	}
	first := s.Days()
	for _, r := range rows {
		if d := s.day(r.Period); d >= 0 {
			first = min(first, d)
		}
	}
	if first > 1 && first < s.Days() {
		s.From = s.From.AddDate(0, 0, first-1) // weeks without a build say nothing
	}
	sites := v.sites()
	ids := k.Sites[:min(len(k.Sites), findingSites)]
	names := make([]string, 0, len(ids)+1)
	for _, id := range ids {
		names = append(names, sites.name(id))
	}
	names = append(names, "All other sites")
	counts := countDays(rows, kind, k.Sites, ids, s)
	of := "all drinks"
	if len(drinks) > 0 {
		of = v.drinkNames(drinks)
	}
	title := sentenceCase(plain(kind)) + ", " + of + ": how many a day"
	t := &Table{ID: "found-data", Caption: title, Cols: cols("place", "business day", "#found", "#builds of these drinks")}
	small := make([]chart.Small, len(names))
	total, made := int64(0), int64(0)
	for i, name := range names {
		small[i].Title = name
		for d := range s.Days() {
			n := counts[i][d]
			if n.builds == 0 {
				continue
			}
			day := s.From.AddDate(0, 0, d)
			href := ""
			q := chart.Point{XY: chart.XY{X: float64(d), Y: float64(n.found)}, Text: fmt.Sprintf("%s, %s: %d of %s builds", name, dateWords(day, "2 Jan"), n.found, count(n.builds))}
			if i < len(ids) {
				href = buildsLink(span{day, day}, "site", ids[i], "drink", one(drinks), "grade", "off")
			}
			if q.Href = href; n.found > 0 {
				q.Shape = chart.Diamond
			}
			small[i].Points = append(small[i].Points, q)
			t.add(head(name, href), Cell{Text: dateWords(day, "2 January"), CSV: day.Format("2006-01-02")}, textf("%d", n.found), Cell{Text: count(n.builds), CSV: fmt.Sprint(n.builds)})
			total, made = total+n.found, made+n.builds
		}
	}
	c := chart.Multiples("found", title, "builds with it", chart.DayAxis(s.From, s.Days(), 5), small, 2)
	c.PanelHeight, c.Diamond = 200, "found"
	c.Desc = "Counts, with no limits and no tolerance"
	if k.Domain == "safety" {
		c.Desc = "A safety finding has no limits and no tolerance: none is allowed, and each is told"
	}
	c.N = fmt.Sprintf("n = %s of %s builds of %s", count(total), count(made), of)
	c.Method = "Counts by business day; all panels share one scale"
	for i := range c.Panels {
		c.Panels[i].Marks = caseMarks(k, s)
		c.Panels[i].Y.Max *= 1.2 // for their words
		if i > 0 {
			for j := range c.Panels[i].Marks {
				c.Panels[i].Marks[j].Label = "" // said once
			}
		}
	}
	return &Figure{Chart: c, Table: t, Help: []string{method.Watch}}, nil
}

// found is how many builds of a day had it.
type found struct{ found, builds int64 }

// countDays counts a kind of finding by day: for each of the sites shown, and last
// for all that are not concerned.
func countDays(rows []*pb.Rollup, kind string, concerned, shown []string, s span) []map[int]found {
	counts := make([]map[int]found, len(shown)+1)
	for i := range counts {
		counts[i] = map[int]found{}
	}
	for _, r := range rows {
		at := slices.Index(shown, r.Site)
		d := s.day(r.Period)
		if d < 0 || d >= s.Days() || at < 0 && slices.Contains(concerned, r.Site) {
			continue
		}
		if at < 0 {
			at = len(shown)
		}
		n := counts[at][d]
		_, all := judged(r.Builds)
		n.builds += all
		for _, c := range r.Findings {
			if c.Kind == kind {
				n.found += c.Count
			}
		}
		counts[at][d] = n
	}
	return counts
}

// countedFinding is the kind of finding that the evidence tells of, with the drinks
// that it was found in; no drinks are all. Values beyond a limit are charted by their
// measure instead, and have none.
func countedFinding(evidence []*pb.Signal) (kind string, drinks []string) {
	for _, e := range evidence {
		if e.Kind != "safety" && e.Kind != "rate" || e.Measure != "" {
			continue
		}
		k, _, _ := strings.Cut(e.Finding, " ")
		if kind == "" {
			kind = k
		}
		_, said, _ := strings.Cut(e.Text, ": ")
		m := safetyForm.FindStringSubmatch(said)
		if m == nil || k != kind {
			continue
		}
		if d, _, _ := strings.Cut(m[1], "/"); !slices.Contains(drinks, d) {
			drinks = append(drinks, d)
		}
	}
	slices.Sort(drinks)
	return kind, drinks
}

// one is the only one of a list, and nothing where there are others.
func one(list []string) string {
	if len(list) == 1 {
		return list[0]
	}
	return ""
}

// drinkNames are drinks as the book calls them.
func (v *visit) drinkNames(ids []string) string {
	b, err := v.newestBook()
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = strings.ReplaceAll(id, "-", " ")
		if err != nil {
			continue
		}
		for _, d := range b.Drinks {
			if d.ID == id && d.Name != "" {
				out[i] = strings.ToLower(d.Name)
			}
		}
	}
	return listWords(out)
}
