package authority

import (
	"fmt"
	"io/fs"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Limits on requests. A book of hundreds of drinks stays well below them.
const (
	maxFiles     = 2000
	maxFileBytes = 12 << 20 // all files together; the gRPC limit lies above
	maxPathBytes = 255
	maxNoteRunes = 500
	maxNameRunes = 200
)

// check collects what is wrong with a request, so that it is told at once.
type check struct{ violations []rpc.Violation }

func (c *check) fail(field, format string, args ...any) {
	c.violations = append(c.violations, rpc.Violation{Field: field, Description: fmt.Sprintf(format, args...)})
}

// err is nil when nothing was wrong.
func (c *check) err() error {
	if len(c.violations) == 0 {
		return nil
	}
	return rpc.Invalid(c.violations...)
}

func (c *check) slug(field, value, example string) {
	if !release.Slug(value) {
		c.fail(field, "is %q; use 1 to 63 lower-case letters, digits and single hyphens inside, such as %q", clip(value, 80), example)
	}
}

func (c *check) text(field, value string, most int) {
	if n := utf8.RuneCountInString(value); n > most {
		c.fail(field, "is %d characters long; at most %d are kept", n, most)
	}
	if strings.ContainsFunc(value, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		c.fail(field, "holds a line break or another control character; write one line of text")
	}
}

func (c *check) files(files []*pb.SourceFile) {
	if len(files) == 0 {
		c.fail("files", "is empty; send the book's YAML files")
	}
	if len(files) > maxFiles {
		c.fail("files", "holds %d files; at most %d are taken", len(files), maxFiles)
		return
	}
	total := 0
	names := make(map[string]bool, len(files))
	for i, f := range files {
		field := fmt.Sprintf("files[%d].path", i)
		path := f.GetPath()
		switch {
		case path == "." || len(path) > maxPathBytes || !fs.ValidPath(path) || strings.ContainsRune(path, '\\'):
			c.fail(field, `is %q; use a relative path with forward slashes and no "..", such as "drinks/latte.yaml"`, clip(path, 80))
		case names[path]:
			c.fail(field, "is %q, which another file of this request has too; send each once", path)
		}
		names[path] = true
		total += len(f.GetContent())
	}
	if total > maxFileBytes {
		c.fail("files", "are %d bytes together; at most %d are taken", total, maxFileBytes)
	}
}

func (c *check) createRelease(req *pb.CreateReleaseRequest) {
	if _, err := uuid.Parse(req.RequestId); err != nil || len(req.RequestId) != 36 {
		c.fail("request_id", "is %q; send a fresh UUID, and the same one again only to retry", clip(req.RequestId, 80))
	}
	if _, err := release.ParseScope(req.Scope); err != nil {
		c.fail("scope", "%s", err)
	}
	if req.EffectiveTime != nil {
		if err := req.EffectiveTime.CheckValid(); err != nil {
			c.fail("effective_time", "%s; send a time between the years 1 and 9999, or none for at once", err)
		}
	}
	c.text("note", req.Note, maxNoteRunes)
	c.text("author", req.Author, maxNameRunes)
	c.files(req.Files)
}

func (c *check) site(s *pb.Site) {
	if s == nil {
		c.fail("site", "is missing; send id, name, region and time_zone")
		return
	}
	c.slug("site.id", s.Id, "tannery-row")
	if strings.TrimSpace(s.Name) == "" {
		c.fail("site.name", "is empty; give the name that people read")
	}
	c.text("site.name", s.Name, maxNameRunes)
	if s.Region != "" {
		c.slug("site.region", s.Region, "north")
	}
	// "Local" would be the centre's zone, whatever that happens to be.
	if _, err := time.LoadLocation(s.TimeZone); err != nil || s.TimeZone == "" || s.TimeZone == "Local" {
		c.fail("site.time_zone", `is %q; use an IANA time zone, such as "Europe/London"`, clip(s.TimeZone, 80))
	}
}

// clip shortens s to at most n bytes without cutting a character in two.
func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + "…"
}
