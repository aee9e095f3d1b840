package console

import (
	"errors"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// basis is what an overlay of a scope departs from: the newest edition after the
// overlay of the wider scope. The authority pins on the same; it is worked out
// here so that fields can be chosen and effects seen before anything is sent.
type basis struct {
	edition uint64
	sources
	// released is the book of the edition.
	released *book
	// note says what the basis lacks; empty where it is exact.
	note string
}

// sources are the files of an edition. Those of one that was published directly
// are asked for as they are needed, so that not all of them are there.
type sources struct {
	files map[string][]byte
	whole bool
	// loaded is the book of the files and what its check finds, worked out when
	// first asked for and then shared: it is not to be changed. Nil without files.
	loaded func() (*drink.Book, drink.Problems)
}

func sourcesOf(files map[string][]byte, whole bool) sources {
	return sources{files, whole, sync.OnceValues(func() (*drink.Book, drink.Problems) { return drink.LoadAndCheckFiles(files) })}
}

// after are the sources with an overlay applied. Only the files that it sets
// fields of are opened, and no fault of the book is an error.
func (s sources) after(o overlay.Overlay) (sources, error) {
	part := map[string][]byte{}
	for _, e := range o.Edits {
		if src, ok := s.files[e.File]; ok {
			part[e.File] = src
		}
	}
	got, err := overlay.Resolve(part, o)
	if err != nil {
		return s, err
	}
	files := maps.Clone(s.files)
	maps.Copy(files, got.Files)
	return sourcesOf(files, s.whole), nil
}

// errNoBasis says that the sources of the newest edition cannot be had.
var errNoBasis = errors.New("the sources of the newest edition cannot be read from here")

// baseCache keeps the sources of editions, which never change.
type baseCache struct {
	mu sync.Mutex
	by map[uint64]sources
}

// maxBases bounds the editions kept; only the newest is asked for.
const maxBases = 4

func (c *baseCache) get(edition uint64) sources {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.by[edition]
}

// put adds files to those known of an edition.
func (c *baseCache) put(edition uint64, files map[string][]byte, whole bool) sources {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, known := c.by[edition]; c.by == nil || !known && len(c.by) >= maxBases {
		c.by = map[uint64]sources{}
	}
	all := maps.Clone(files)
	for name, src := range c.by[edition].files { // readers hold the old map
		if all[name] == nil && !whole {
			all[name] = src
		}
	}
	s := sourcesOf(all, whole)
	c.by[edition] = s
	return s
}

// has says that all of the files are known.
func (s sources) has(files []string) bool {
	return s.whole || !slices.ContainsFunc(files, func(f string) bool { return s.files[f] == nil })
}

// basisOf finds the basis of a scope among the overlays that there are, with at
// least the files that are needed.
func (v *visit) basisOf(scope string, overlays []*pb.Overlay, need []string) (*basis, error) {
	info, err := v.newestEdition()
	if err != nil {
		return nil, err
	}
	b := &basis{edition: info.Edition}
	var wider *pb.Overlay
	if site, ok := strings.CutPrefix(scope, "site."); ok {
		region := v.sites().by[site].GetRegion()
		i := slices.IndexFunc(overlays, func(o *pb.Overlay) bool {
			return region != "" && o.Scope == "region."+region && o.State != pb.OverlayState_OVERLAY_STATE_RETIRED
		})
		if i >= 0 {
			wider = overlays[i]
			need = slices.Clone(need)
			for _, e := range wider.Edits {
				need = append(need, e.Edit.GetFile())
			}
		}
	}
	if b.released, err = v.bookOf(info.Number); err != nil {
		return nil, err
	}
	if b.sources, err = v.sourcesOf(info, b.released, overlays, need); err != nil {
		return nil, err
	}
	if wider == nil {
		return b, nil
	}
	if wider.State == pb.OverlayState_OVERLAY_STATE_ACTIVE {
		if after, err := b.after(overlayOf(wider)); err == nil {
			b.sources = after
			return b, nil
		}
	}
	// What of it is in force cannot be asked for while it is proposed anew.
	b.note = fmt.Sprintf("%s has an overlay that is %s; the values here are those without it.", sentenceCase(v.scopeWords(wider.Scope)), enum(wider.State, "OVERLAY_STATE_"))
	return b, nil
}

// newestEdition is the newest release of the chain's book.
func (v *visit) newestEdition() (*pb.ReleaseInfo, error) {
	res, err := v.ask.books.ListReleases(v.ctx, &pb.ListReleasesRequest{PageSize: 100})
	if err != nil {
		return nil, err
	}
	for _, r := range res.Releases {
		if r.Scope == "chain" {
			return r, nil
		}
	}
	return nil, errNoBasis
}

// sourcesOf are the YAML files of an edition: those of the draft that it was made
// of, or, where it was published directly, as a site that follows it unchanged
// has them. They are used only where they give the very book that was released.
func (v *visit) sourcesOf(info *pb.ReleaseInfo, released *book, overlays []*pb.Overlay, need []string) (sources, error) {
	known := v.c.bases.get(info.Edition)
	if known.whole || len(need) > 0 && known.has(need) {
		return known, nil
	}
	files, err := v.draftSources(info)
	if err != nil {
		return sources{}, err
	}
	if len(files) > 0 && gives(files, released) {
		return v.c.bases.put(info.Edition, files, true), nil
	}
	if files, err = v.siteSources(info, known, overlays, need); err != nil || len(need) == 0 {
		return known, err
	}
	if !gives(files, released) {
		return sources{}, errNoBasis
	}
	return v.c.bases.put(info.Edition, files, false), nil
}

// gives says that files read as the book that was released, as far as they go.
func gives(files map[string][]byte, released *book) bool {
	read, problems := drink.LoadFiles(files)
	if problems.Unreadable() {
		return false
	}
	part := *released.Book
	part.Drinks = slices.DeleteFunc(slices.Clone(part.Drinks), func(d drink.Drink) bool { return files[drinkFile(d.ID)] == nil })
	if files[samplingFile] == nil {
		part.Sampling = nil
	}
	// To find no difference takes longer than to see that there is none.
	return proto.Equal(wire.BookToProto(&part), wire.BookToProto(read)) || len(drink.Diff(&part, read)) == 0
}

// The files of a book (docs/book.md).
const samplingFile = "sampling.yaml"

var sharedFiles = []string{"house.yaml", "vessels.yaml", "ingredients.yaml"}

// drinkFile is where a drink stands: under another name it is an error of the
// book, and never released.
func drinkFile(id string) string { return "drinks/" + id + ".yaml" }

// draftSources are the files of the draft that an edition, or the one that it
// rolls back to, was made of; nothing where there is no such draft.
func (v *visit) draftSources(info *pb.ReleaseInfo) (map[string][]byte, error) {
	req := &pb.ListDraftsRequest{PageSize: 500, States: []pb.DraftState{pb.DraftState_DRAFT_STATE_RELEASED}}
	for {
		res, err := v.ask.drafts.ListDrafts(v.ctx, req)
		if err != nil {
			return nil, err
		}
		for _, d := range res.Drafts {
			if d.Edition != 0 && (d.Edition == info.Edition || d.Edition == info.RollsBackTo) {
				got, err := v.ask.drafts.GetDraft(v.ctx, &pb.GetDraftRequest{Name: d.Name, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"files"}}})
				return filesMap(got.GetDraft()), err
			}
		}
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return nil, nil
		}
	}
}

// siteSources are rebuilt of the fields that the authority tells of a site which
// follows the edition and has no overlay: the files needed and those that all
// drinks share, beside what is known. Comments and order are not the edition's;
// values and paths are. errNoBasis where there is no such site. Sites that one of
// the overlays concerns are asked last, since most likely they are not it.
func (v *visit) siteSources(info *pb.ReleaseInfo, known sources, overlays []*pb.Overlay, need []string) (map[string][]byte, error) {
	// Far enough ahead that an edition which takes effect later is followed.
	ahead := timestamppb.New(v.now.Add(366 * 24 * time.Hour))
	departs := map[string]bool{}
	for _, o := range overlays {
		departs[o.Scope] = true
	}
	var plain, rest []*pb.Site
	for _, s := range v.sites().Sites {
		if departs["site."+s.Id] || departs["region."+s.Region] {
			rest = append(rest, s)
		} else {
			plain = append(plain, s)
		}
	}
	for _, s := range slices.Concat(plain, rest) {
		site := "sites/" + s.Id
		res, err := v.ask.overlays.ResolveSite(v.ctx, &pb.ResolveSiteRequest{Site: site, AtTime: ahead})
		if status.Code(err) == codes.FailedPrecondition {
			continue // it follows nothing
		}
		if err != nil {
			return nil, err
		}
		if res.Release.GetEdition() != info.Edition || res.Release.GetScope() != "chain" {
			continue
		}
		out := map[string][]byte{}
		if len(need) == 0 {
			return out, nil
		}
		var ask []string
		for _, f := range slices.Concat(sharedFiles, need) {
			if out[f] = known.files[f]; out[f] == nil && !slices.Contains(ask, f) {
				ask = append(ask, f)
			}
		}
		told := make([][]*pb.FieldOrigin, len(ask))
		asking, ctx := errgroup.WithContext(v.ctx)
		asking.SetLimit(4)
		for i, file := range ask {
			asking.Go(func() error {
				name := strings.TrimSuffix(path.Base(file), ".yaml") // ResolveSite goes by the file's name where it is no drink's
				res, err := v.ask.overlays.ResolveSite(ctx, &pb.ResolveSiteRequest{Site: site, AtTime: ahead, Drink: name})
				told[i] = res.GetOrigins()
				return err
			})
		}
		if err := asking.Wait(); err != nil {
			return nil, err
		}
		maps.Copy(out, rebuilt(slices.Concat(told...)))
		maps.DeleteFunc(out, func(_ string, src []byte) bool { return src == nil })
		return out, nil
	}
	return nil, errNoBasis
}

// rebuilt writes files anew from their fields, each as it stands in its file.
func rebuilt(fields []*pb.FieldOrigin) map[string][]byte {
	trees := map[string]*twig{}
	for _, f := range fields {
		p, err := bookedit.Parse(f.Path)
		if err != nil || f.Line == 0 { // one that was taken away
			continue
		}
		if trees[f.File] == nil {
			trees[f.File] = &twig{}
		}
		trees[f.File].grow(p, f.Value)
	}
	out := map[string][]byte{}
	for file, t := range trees {
		var w strings.Builder
		t.write(&w, 0)
		out[file] = []byte(w.String())
	}
	return out
}

// twig is a value of a YAML file, or a mapping or list of such.
type twig struct {
	value string
	list  bool
	names []string
	by    map[string]*twig
}

func (t *twig) grow(p bookedit.Path, value string) {
	if len(p) == 0 {
		t.value = value
		return
	}
	name := p[:1].String()
	t.list = p[0].Kind != bookedit.Key
	if t.by == nil {
		t.by = map[string]*twig{}
	}
	if t.by[name] == nil {
		t.by[name], t.names = &twig{}, append(t.names, name)
	}
	t.by[name].grow(p[1:], value)
}

// write puts a mapping or list on lines of its own.
func (t *twig) write(w *strings.Builder, depth int) {
	for _, name := range t.names {
		w.WriteString(strings.Repeat("  ", depth))
		if t.list {
			w.WriteString("-")
		} else {
			w.WriteString(name + ":")
		}
		x := t.by[name]
		if len(x.names) == 0 {
			w.WriteString(" " + x.value + "\n")
			continue
		}
		w.WriteString("\n")
		x.write(w, depth+1)
	}
}

// overlayOf is an overlay as internal/overlay has it.
func overlayOf(o *pb.Overlay) overlay.Overlay {
	out := overlay.Overlay{Scope: o.Scope, Reason: o.Reason, BaseEdition: o.BaseEdition}
	for _, e := range o.Edits {
		out.Edits = append(out.Edits, overlay.Edit{File: e.Edit.GetFile(), Path: e.Edit.GetPath(), Value: e.Edit.GetValue(), Base: e.BaseValue})
	}
	return out
}

// fileNames are the files that an overlay can set fields of: drinks by name,
// then what they share.
func fileNames(b *book, s sources, chosen string) (drinks, shared []choice) {
	seen := map[string]bool{}
	if b != nil {
		for i := range b.Drinks {
			file := drinkFile(b.Drinks[i].ID)
			seen[file] = true
			drinks = append(drinks, choice{file, b.Drinks[i].Name, file == chosen})
		}
	}
	rest := slices.Collect(maps.Keys(s.files))
	if !s.whole {
		rest = append(rest, sharedFiles...)
		if b != nil && len(b.Sampling) > 0 {
			rest = append(rest, samplingFile)
		}
	}
	slices.Sort(rest)
	for _, file := range slices.Compact(rest) {
		if !seen[file] {
			shared = append(shared, choice{file, fileWords(file), file == chosen})
		}
	}
	return drinks, shared
}

// fileWords is what a file holds, as people say it.
func fileWords(file string) string {
	if w, ok := map[string]string{"house.yaml": "The house", "vessels.yaml": "Cups and glasses", "ingredients.yaml": "Ingredients", samplingFile: "What is measured, and when"}[file]; ok {
		return w
	}
	return file
}
