package console

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"

	"samecup.example/samecup/internal/pdftext"
)

// TestAWeekAndItsCardsAreChosenAndPrinted goes from the morning page to the files,
// as a site manager and a trainer would.
func TestAWeekAndItsCardsAreChosenAndPrinted(t *testing.T) {
	ch := seasonChain(t)
	ctx := browser(t)
	d := openDesk(t, ch, nil)
	dir := t.TempDir()
	do := func(what string, steps ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, steps...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	// arrived waits until the browser has kept a file whole, and gives its words.
	arrived := func(name string) string {
		t.Helper()
		var file []byte
		if err := eventually(name+" is kept", func() (bool, error) {
			var err error
			file, err = os.ReadFile(filepath.Join(dir, name))
			return err == nil, err
		}); err != nil {
			t.Fatal(err)
		}
		pages, err := pdftext.Pages(file)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(pages, "\n")
	}
	do("sign in", signIn(d.srv.URL, ch.tokens["lea"]))
	if _, err := chromedp.CallBrowser(ctx, cdpbrowser.SetDownloadBehavior, cdpbrowser.SetDownloadBehaviorParams{Behavior: cdpbrowser.SetDownloadBehaviorBehaviorAllow, DownloadPath: dir}); err != nil {
		t.Fatal(err)
	}
	do("to the page", chromedp.Click(chromedp.CSS(`nav a[href="/print"]`)), chromedp.WaitVisible(chromedp.CSS("#report")))
	do("the report of a site's week", chromedp.SetValue(chromedp.CSS(`#report select[name="scope"]`), "site/tannery-row"),
		chromedp.SetValue(chromedp.CSS(`#report select[name="week"]`), "2026-W42"), chromedp.Click(chromedp.CSS("#report button.first")))
	if words := arrived("consistency-report-tannery-row-2026-W42.pdf"); !strings.Contains(words, "Week 42 of 2026") || !strings.Contains(words, "What to do") {
		t.Errorf("the report says\n%s", words)
	}
	do("the cards of a drink", chromedp.SetValue(chromedp.CSS(`#cards select[name="site"]`), "lantern-hill"), chromedp.SetValue(chromedp.CSS(`#cards select[name="drink"]`), "flat-white"),
		chromedp.SetValue(chromedp.CSS(`#cards select[name="paper"]`), "a4"), chromedp.Click(chromedp.CSS("#cards button.first")))
	if words := arrived("cards-lantern-hill-flat-white-release-1.pdf"); !strings.Contains(words, "Flat white") {
		t.Errorf("the cards say\n%s", words)
	}
	do("the form of a visit", chromedp.SetValue(chromedp.CSS(`#visit select[name="site"]`), "tannery-row"), chromedp.SetValue(chromedp.CSS(`#visit input[name="day"]`), "2026-11-02"),
		chromedp.SetValue(chromedp.CSS(`#visit input[name="station"]`), "bar-1"), chromedp.SetValue(chromedp.CSS(`#visit input[name="barista"]`), "b-17"),
		chromedp.SetValue(chromedp.CSS(`#visit input[name="begin"]`), "07:00"), chromedp.SetValue(chromedp.CSS(`#visit input[name="end"]`), "11:00"),
		chromedp.Click(chromedp.CSS(`#visit button[formaction]`)))
	if words := arrived("visit-tannery-row-2026-11-02.form.pdf"); !strings.Contains(words, "Audit of Tannery Row") || !strings.Contains(words, "bar-1, barista b-17") {
		t.Errorf("the form says\n%s", words)
	}
	do("the visit itself", chromedp.Click(chromedp.CSS(`#visit button.first`)), chromedp.WaitVisible(chromedp.CSS("#picks")))
	// A choice that cannot be used is a page, and leads back.
	do("an address that was changed", chromedp.Navigate(d.srv.URL+"/print/report.pdf?scope=site/mill-end"), chromedp.Click(chromedp.CSS(`main a[href="/print"]`)), chromedp.WaitVisible(chromedp.CSS("#report")))
}
