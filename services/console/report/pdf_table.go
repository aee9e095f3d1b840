package report

// cellGap keeps columns apart, mm.
const cellGap = 3.5

// table prints rows with rules between, and its head again on each page.
func (p *paper) table(t Table) {
	if len(t.Rows) == 0 {
		if t.None != "" {
			p.room(lineOf(sizeText))
			p.text("", sizeText, t.None)
			p.gap(2)
		}
		return
	}
	total := 0.0
	for _, w := range t.Weights {
		total += w
	}
	wide := make([]float64, len(t.Headers))
	for i := range wide {
		wide[i] = inner * t.Weights[i] / total
	}
	head := p.cells("B", t.Headers, wide)
	lines := make([][][]string, len(t.Rows))
	for i, r := range t.Rows {
		lines[i] = p.cells("", r, wide)
	}
	// No row stands alone beneath the head or at the top of a page.
	high := func(i int) float64 {
		if i+1 < len(lines) && (i == 0 || i+2 == len(lines)) {
			return rowHigh(lines[i]) + rowHigh(lines[i+1])
		}
		return rowHigh(lines[i])
	}
	p.room(rowHigh(head) + high(0) + 4)
	p.row("B", head, wide, t.Right)
	p.rule(0.35)
	for i := range lines {
		if i > 0 && p.f.GetY()+high(i) > p.lowest {
			p.page()
			p.row("B", head, wide, t.Right)
			p.rule(0.35)
		}
		p.row("", lines[i], wide, t.Right)
		p.rule(0.1)
	}
	p.gap(4)
}

// cells breaks each cell into lines.
func (p *paper) cells(style string, words []string, wide []float64) [][]string {
	out := make([][]string, len(words))
	for i, s := range words {
		out[i] = p.lines(style, sizeTable, wide[i]-cellGap, s)
	}
	return out
}

func rowHigh(cells [][]string) float64 {
	most := 1
	for _, c := range cells {
		most = max(most, len(c))
	}
	return float64(most)*lineOf(sizeTable) + 1.8
}

func (p *paper) row(style string, cells [][]string, wide []float64, right []bool) {
	p.fresh = false
	x, y := marginSide, p.f.GetY()+0.9
	for i, lines := range cells {
		align := "L"
		if right[i] {
			align = "R"
		}
		p.font(style, sizeTable)
		for k, l := range lines {
			p.f.SetXY(x, y+float64(k)*lineOf(sizeTable))
			p.f.CellFormat(wide[i]-cellGap, lineOf(sizeTable), l, "", 0, align, false, 0, "")
		}
		x += wide[i]
	}
	p.f.SetXY(marginSide, y-0.9+rowHigh(cells))
}
