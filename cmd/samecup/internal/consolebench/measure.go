package consolebench

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptrace"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/bench"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// page is one to ask for.
type page struct{ name, path string }

// pages are the twelve that people open most, and behind them the others that
// the navigation leads to.
func (c *centre) pages(ctx context.Context) ([]page, error) {
	ctx = c.signed(ctx)
	cases, err := pb.NewCaseServiceClient(c.qc).ListCases(ctx, &pb.ListCasesRequest{Site: siteID(0), PageSize: 10, OpenOnly: true})
	if err != nil {
		return nil, err
	}
	if len(cases.Cases) == 0 {
		return nil, fmt.Errorf("no case is open at %s", siteID(0))
	}
	off, err := pb.NewQualityServiceClient(c.qc).ListDeviations(ctx, &pb.ListDeviationsRequest{PageSize: 1})
	if err != nil {
		return nil, err
	}
	if len(off.Deviations) == 0 {
		return nil, errors.New("no build is off spec")
	}
	yesterday := c.now.AddDate(0, 0, -1).Format(time.DateOnly)
	return []page{
		{"today", "/"}, {"cases", "/cases"}, {"a case", "/cases/" + cases.Cases[0].Id}, {"questions", "/questions"}, {"sites compared", "/sites"},
		{"drinks", "/drinks"}, {"a drink", "/drinks/" + c.book.Servings()[0].ID}, {"stations", "/stations"}, {"a station's day", "/stations/" + siteID(0) + "/" + stationID(1) + "?day=" + yesterday},
		{"builds off spec", "/builds?grade=off"}, {"drafts", "/drafts"}, {"record", "/record"},
		{"a build", "/builds/" + off.Deviations[0].Build.Id}, {"a draft", "/drafts/winter-menu"}, {"rollouts", "/rollouts"}, {"stops", "/stops"}, {"overlays", "/overlays"}, {"places", "/places"},
	}, nil
}

// Main is how many of the pages, the first ones, are the main ones.
const Main = 12

// visitor is a browser that keeps its cookie and its connection.
type visitor struct {
	base   string
	client *http.Client
	// looks are the sizes of files for the look, packed and not.
	looks map[string][2]int
}

func (c *centre) measure(ctx context.Context) ([]Row, error) {
	jar, err := cookiejar.New(nil)
	if err != nil {
		return nil, fmt.Errorf("make a cookie jar: %w", err)
	}
	v := &visitor{base: c.base, looks: map[string][2]int{}, client: &http.Client{Jar: jar, Transport: &http.Transport{DisableCompression: true}, Timeout: time.Minute}}
	defer v.client.CloseIdleConnections()
	if err := v.signIn(ctx, c.token); err != nil {
		return nil, err
	}
	pages, err := c.pages(ctx)
	if err != nil {
		return nil, err
	}
	var rows []Row
	for _, p := range pages {
		row := Row{Page: p.name, Path: p.path}
		var first, whole []float64
		var begun time.Duration
		// The first request fills what is cached for everybody, and does not count.
		for n := range c.o.Requests + 1 {
			a, err := v.get(ctx, p.path)
			if err != nil {
				return nil, err
			}
			if n == 0 {
				if err := v.weigh(ctx, &row, a); err != nil {
					return nil, err
				}
				begun = cpuTime()
				continue
			}
			first, whole = append(first, a.first), append(whole, a.whole)
		}
		row.CPU = millis(cpuTime()-begun) / float64(c.o.Requests)
		row.WorstFirstByte, row.FirstByte, row.Whole = slices.Max(first), bench.Median(first), bench.Median(whole)
		rows = append(rows, row)
		fmt.Fprintf(c.o.Progress, "  %s: %.1f ms, %.1f kB\n", p.name, row.FirstByte, row.KB)
	}
	return rows, nil
}

func (v *visitor) signIn(ctx context.Context, token string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, v.base+"/sign-in", strings.NewReader(url.Values{"token": {token}, "next": {"/drafts"}}.Encode()))
	if err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	res, err := v.client.Do(req)
	if err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	_, err = io.Copy(io.Discard, res.Body)
	if err = errors.Join(err, res.Body.Close()); err != nil || res.StatusCode != http.StatusOK || res.Request.URL.Path != "/drafts" {
		return fmt.Errorf("sign in: the console answers %s at %s: %w", res.Status, res.Request.URL.Path, err)
	}
	return nil
}

// answer is one answer; times in ms.
type answer struct {
	first, whole  float64
	packed, plain []byte
}

func (v *visitor) get(ctx context.Context, path string) (a answer, err error) {
	var wrote, first time.Time
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		GotConn:              func(httptrace.GotConnInfo) { wrote = time.Now() },
		GotFirstResponseByte: func() { first = time.Now() },
	})
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, v.base+path, nil)
	if err != nil {
		return a, fmt.Errorf("ask for %s: %w", path, err)
	}
	req.Header.Set("Accept-Encoding", "gzip")
	res, err := v.client.Do(req)
	if err != nil {
		return a, fmt.Errorf("ask for %s: %w", path, err)
	}
	a.packed, err = io.ReadAll(res.Body)
	whole := time.Now()
	if err = errors.Join(err, res.Body.Close()); err != nil {
		return a, fmt.Errorf("read %s: %w", path, err)
	}
	if res.StatusCode != http.StatusOK {
		return a, fmt.Errorf("%s answers %s", path, res.Status)
	}
	a.first, a.whole, a.plain = millis(first.Sub(wrote)), millis(whole.Sub(wrote)), a.packed
	if res.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(strings.NewReader(string(a.packed)))
		if err != nil {
			return a, fmt.Errorf("unpack %s: %w", path, err)
		}
		if a.plain, err = io.ReadAll(z); err != nil {
			return a, fmt.Errorf("unpack %s: %w", path, err)
		}
	}
	return a, nil
}

func millis(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

var linked = regexp.MustCompile(`(?:href|src)="(/static/[^"]+)"`)

// weigh adds up the page and what it links to for its look.
func (v *visitor) weigh(ctx context.Context, row *Row, a answer) error {
	packed, plain := len(a.packed), len(a.plain)
	row.HTMLKB = float64(packed) / 1000
	seen := map[string]bool{}
	for _, m := range linked.FindAllSubmatch(a.plain, -1) {
		path := string(m[1])
		if seen[path] {
			continue
		}
		seen[path] = true
		size, known := v.looks[path]
		if !known {
			got, err := v.get(ctx, path)
			if err != nil {
				return err
			}
			size = [2]int{len(got.packed), len(got.plain)}
			v.looks[path] = size
		}
		packed, plain = packed+size[0], plain+size[1]
	}
	row.KB, row.PlainKB = float64(packed)/1000, float64(plain)/1000
	return nil
}
