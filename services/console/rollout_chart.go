package console

import (
	"fmt"
	"math"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
)

// courseFigure draws how the test of a rollout came to what it says: for each of
// its two comparisons the log likelihood ratio against the builds seen, between
// the bounds at which it answers. Nil before anything was compared.
func courseFigure(v *visit, r *pb.Rollout, advice string) *Figure {
	course := r.Course
	if len(course) == 0 && r.Report != nil { // watched by an authority that kept no course
		course = []*pb.WavePoint{{LookTime: r.Report.UpdateTime, OpenWaves: r.OpenWaves, Advice: r.Report.Advice, OwnPast: r.Report.OwnPast, OtherSites: r.Report.OtherSites}}
	}
	lo, hi, most := -1.0, 1.0, 1.0
	panels := []chart.Panel{{Title: "against its own past"}, {Title: "against the other sites"}}
	for k := range panels {
		panel, waves := &panels[k], int32(0)
		lower, upper := math.NaN(), math.NaN()
		var line []chart.XY
		for _, look := range course {
			c := look.OwnPast
			if k == 1 {
				c = look.OtherSites
			}
			if c == nil || c.LowerBound >= c.UpperBound {
				continue
			}
			at := chart.XY{X: float64(c.WaveBuilds), Y: c.LogLikelihoodRatio}
			word, _ := adviceWord(c.Advice)
			q := chart.Point{XY: at, Text: fmt.Sprintf("%s: %d of %s off spec, and %d of %s to compare with; it says %s", v.at(look.LookTime), c.WaveDeviations,
				plural(int(c.WaveBuilds), "build", "builds"), c.ReferenceDeviations, plural(int(c.ReferenceBuilds), "build", "builds"), word)} //nolint:gosec // counts of builds
			if c.Advice == pb.WaveAdvice_WAVE_ADVICE_ROLL_BACK {
				q.Shape = chart.Diamond
			}
			panel.Points, line = append(panel.Points, q), append(line, at)
			if look.OpenWaves > waves && waves > 0 {
				panel.Marks = append(panel.Marks, chart.Mark{X: at.X, Label: fmt.Sprintf("wave %d", look.OpenWaves)})
			}
			waves = look.OpenWaves
			lower, upper = c.LowerBound, c.UpperBound
			lo, hi, most = math.Min(lo, math.Min(lower, at.Y)), math.Max(hi, math.Max(upper, at.Y)), math.Max(most, at.X)
		}
		if len(line) == 0 {
			continue
		}
		panel.Lines = []chart.Line{{Along: line}}
		panel.Limits = []chart.Limit{{Along: []chart.XY{{Y: upper}, {Y: upper}}, Label: "above: roll back"}, {Along: []chart.XY{{Y: lower}, {Y: lower}}, Label: "below: go on"}}
	}
	if len(panels[0].Points)+len(panels[1].Points) == 0 {
		return nil
	}
	hi += 0.15 * (hi - lo) // for the words of a mark, clear of the upper bound
	x, y := chart.NewAxis("builds in the open waves", 0, most), chart.NewAxis("log likelihood ratio", lo, hi)
	for k := range panels {
		panels[k].X, panels[k].Y = x, y
		for i := range panels[k].Limits {
			panels[k].Limits[i].Along[0].X, panels[k].Limits[i].Along[1].X = x.Min, x.Max
		}
	}
	panels[0].X.Name = ""
	c := &chart.Chart{ID: "test", Title: "The course of the test", Desc: "Between the two dashed bounds it cannot tell yet; now it says: " + advice,
		N:      fmt.Sprintf("n = %s in the open waves, %s", plural(int(most), "build", "builds"), plural(len(course), "look", "looks")),
		Method: "Sequential probability ratio test of two Poisson rates (Wald 1947; Przyborowski and Wilenski 1940), against the same sites' own past four weeks and against the other sites over the same time; both must agree",
		Limits: "bounds of the test, set beforehand", Diamond: "says roll back", PanelHeight: 240, Panels: panels}
	f := figureOf(c) // its table lists every look
	for k := range panels {
		panels[k].Points = someDots(panels[k].Points)
	}
	return f
}

// mostDots of a line are drawn, so that they stay apart.
const mostDots = 60

// someDots thins the dots along a line that is drawn in full: the first, the last
// and those at which the shape changes stay.
func someDots(all []chart.Point) (some []chart.Point) {
	every := (len(all) + mostDots - 1) / mostDots
	for i, p := range all {
		if i%every == 0 || i == len(all)-1 || p.Shape != all[i-1].Shape {
			some = append(some, p)
		}
	}
	return some
}
