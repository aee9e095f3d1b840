package console

import "testing"

func TestRowsAreEscaped(t *testing.T) {
	table := &Table{Cols: cols("<n>", "#f", "~w"), Rows: [][]Cell{
		{head(`a"<b>`, "/x?a=1&b=\"2"), {Text: "1", Tone: `t"`}, to("out", "javascript:alert(1)")},
	}}
	want := "\n" + `<tr><th scope="row" data-name="&lt;n&gt;"><a href="/x?a=1&amp;b=&#34;2">a&#34;&lt;b&gt;</a></th>` +
		`<td class="num" data-name="f"><span class="tone t&#34;">1</span></td><td class="wide" data-name="w">out</td></tr>`
	if got := string(table.rows(false)); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	want = "\n" + `<tr><th scope="row"><a href="/x?a=1&amp;b=&#34;2">a&#34;&lt;b&gt;</a></th><td class="num">1</td><td>out</td></tr>`
	if got := string(table.rows(true)); got != want {
		t.Errorf("bare: got\n%s\nwant\n%s", got, want)
	}
}
