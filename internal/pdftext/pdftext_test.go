package pdftext

import (
	"bytes"
	"strings"
	"testing"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/goregular"
)

func TestWhatWasWrittenIsRead(t *testing.T) {
	f := fpdf.New("P", "mm", "A4", "")
	f.AddUTF8FontFromBytes("go", "", goregular.TTF)
	f.SetFont("go", "", 12)
	lines := []string{`milk (hot) \ 60 °C`, "12 − 3 ≈ 9", "ℵ"}
	for _, l := range lines {
		f.AddPage()
		f.Text(20, 20, l)
		f.Line(1, 1, 9, 9)
	}
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		t.Fatal(err)
	}
	got, err := Pages(b.Bytes())
	if err != nil || len(got) != len(lines) {
		t.Fatalf("%d pages, %v", len(got), err)
	}
	for i, l := range lines {
		if strings.TrimSpace(got[i]) != l {
			t.Errorf("page %d holds %q, want %q", i+1, got[i], l)
		}
	}
	for _, cut := range []int{0, 10, b.Len() / 2, b.Len() - 7} {
		if _, err := Pages(b.Bytes()[:cut]); err == nil {
			t.Errorf("the first %d bytes are taken for a whole PDF", cut)
		}
	}
}

func FuzzPages(f *testing.F) {
	f.Add([]byte("%PDF-1.4\nstream\nx\nendstream\n%%EOF"))
	f.Fuzz(func(_ *testing.T, b []byte) { _, _ = Pages(b) })
}
