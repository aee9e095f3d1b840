package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/sqlitedb"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
)

// Damage tells what was found when the log was opened, and what became of it.
type Damage struct {
	// Why is what was found.
	Why string
	// Aside is the directory that holds the damaged files as they were; empty
	// where there were none.
	Aside string
	// Kept is how many records were carried over.
	Kept uint64
	// Lost are the numbers of records that could not be read and that the bus
	// had not acknowledged as far as is known.
	Lost []Range
	// Next is the number of the next build.
	Next uint64
}

// maxRangesTold bounds the ranges named in a sentence.
const maxRangesTold = 5

// ReasonDamaged is the reason of the refusal by which the centre hears of damage.
const ReasonDamaged = "LOG_DAMAGED"

// refusal tells the centre, with the station's presence.
func (d *Damage) refusal() *pb.Refusal {
	return &pb.Refusal{Reason: ReasonDamaged, Detail: "the build log was damaged; " + d.became(), RefusedTime: timestamppb.Now()}
}

// String says it in words.
func (d *Damage) String() string {
	if d.Aside == "" {
		return fmt.Sprintf("the build log was damaged (%s); %s", d.Why, d.became())
	}
	return fmt.Sprintf("the build log was damaged (%s); it is kept as it was in %s; %s", d.Why, d.Aside, d.became())
}

// became is what was made of it.
func (d *Damage) became() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d of its records were carried over", d.Kept)
	if len(d.Lost) == 0 {
		b.WriteString(", and none that waited to be sent is missing")
	} else {
		told := make([]string, 0, maxRangesTold)
		for _, r := range d.Lost[:min(len(d.Lost), maxRangesTold)] {
			told = append(told, r.String())
		}
		if len(d.Lost) > maxRangesTold {
			told = append(told, "others")
		}
		fmt.Fprintf(&b, "; what stood under %s cannot be read and is missing at the centre (builds: at most %d)", strings.Join(told, ", "), total(d.Lost))
	}
	fmt.Fprintf(&b, "; the numbering goes on at %d", d.Next)
	return b.String()
}

// rescuing is the content of the marker that stands beside the log from the
// moment when the damaged files are safe to the moment when the new log is. A
// crash in between begins the rescue anew from what was set aside.
type rescuing struct {
	Why   string `json:"why"`
	Aside string `json:"aside"`
}

func markerPath(path string) string { return path + ".rescuing" }

// rescue copies a damaged log aside and makes a new one of it.
func rescue(ctx context.Context, path string, why error, opts []sqlitedb.Option) (*Damage, error) {
	aside, err := setAside(path)
	if err != nil {
		return nil, fmt.Errorf("%w; it could not be copied aside, so nothing was changed; free as much space as %s takes and start again: %w", why, path, err)
	}
	if err := writeMarker(path, rescuing{Why: why.Error(), Aside: aside}); err != nil {
		return nil, err
	}
	return resumeRescue(ctx, path, opts)
}

func writeMarker(path string, r rescuing) error {
	raw, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("note a rescue: %w", err)
	}
	return durable.WriteFile(markerPath(path), append(raw, '\n'))
}

// parts of a log on disk that hold what was committed.
var parts = []string{"", "-wal"}

// setAside copies the log's files to a new directory.
func setAside(path string) (_ string, err error) {
	aside := path + ".damaged-" + time.Now().UTC().Format("20060102T150405.000Z")
	if err := os.Mkdir(aside, 0o700); err != nil {
		return "", fmt.Errorf("make a directory for the damaged log: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(aside))
		}
	}()
	for _, p := range parts {
		if err := copyFile(filepath.Join(aside, filepath.Base(path)+p), path+p); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return aside, errors.Join(durable.SyncDir(aside), durable.SyncDir(filepath.Dir(path)))
}

func copyFile(to, from string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return fmt.Errorf("copy %s: %w", from, err)
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("copy %s: %w", from, err)
	}
	if _, err = io.Copy(out, in); err == nil {
		err = out.Sync()
	}
	if err = errors.Join(err, out.Close()); err != nil {
		return fmt.Errorf("copy %s: %w", from, err)
	}
	return nil
}

// resumeRescue finishes a rescue that was begun; nil when there is none. A log
// that is missing although numbers were used counts as one of which nothing
// can be read.
func resumeRescue(ctx context.Context, path string, opts []sqlitedb.Option) (*Damage, error) {
	reserved, err := readNumbers(path)
	if err != nil {
		return nil, err
	}
	var r rescuing
	raw, err := os.ReadFile(markerPath(path))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if _, err := os.Stat(path); reserved == 0 || !errors.Is(err, fs.ErrNotExist) {
			return nil, nil
		}
		r.Why = fmt.Sprintf("it is missing, although numbers up to %d may be in use", reserved)
		if err := writeMarker(path, r); err != nil {
			return nil, err
		}
	case err != nil:
		return nil, fmt.Errorf("read the note of a rescue: %w", err)
	default:
		if err := json.Unmarshal(raw, &r); err != nil {
			return nil, fmt.Errorf("%s is damaged: remove it, and %s, which is set aside already: %w", markerPath(path), path, err)
		}
	}
	d, err := rebuild(ctx, path, r, reserved, opts)
	if err != nil {
		return nil, fmt.Errorf("rescue the build log %s: %w", path, err)
	}
	return d, nil
}

// endRescue is for once the new log is open, and before a build goes into it.
func endRescue(path string) error {
	if err := os.Remove(markerPath(path)); err != nil {
		return fmt.Errorf("end a rescue: %w", err)
	}
	if err := clearSuspect(path); err != nil {
		return err
	}
	return durable.SyncDir(filepath.Dir(path))
}

// rebuild makes a new log of what was set aside, in one transaction.
func rebuild(ctx context.Context, path string, r rescuing, reserved uint64, opts []sqlitedb.Option) (_ *Damage, err error) {
	for _, p := range append(parts, "-shm") {
		if err := os.Remove(path + p); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("remove the damaged log, which is set aside: %w", err)
		}
	}
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	db, err := sqlitedb.Open(ctx, path, sub, opts...)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	tx, err := db.Write.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback() }()
	s := salvage{tx: tx, unread: make(map[uint64]string), reserved: reserved, whole: r.Aside != ""}
	if r.Aside != "" {
		if err := s.all(ctx, filepath.Join(r.Aside, filepath.Base(path))); err != nil {
			return nil, err
		}
	}
	d, err := s.finish(ctx)
	if err != nil {
		return nil, err
	}
	d.Why, d.Aside = r.Why, r.Aside
	if err := addRefusal(ctx, tx, d.refusal()); err != nil {
		return nil, err
	}
	if err := tx.Commit(); err != nil {
		return nil, err
	}
	return d, s.report(d)
}

// report leaves the words, and the ids of lost builds as far as they are known,
// with the damaged files.
func (s *salvage) report(d *Damage) error {
	if d.Aside == "" {
		return nil
	}
	var b strings.Builder
	fmt.Fprintln(&b, d)
	for _, r := range d.Lost {
		fmt.Fprintf(&b, "lost: %s\n", r)
		for n := r.First; n <= r.Last; n++ {
			if id := s.unread[n]; id != "" {
				fmt.Fprintf(&b, "  number %d was build %x\n", n, id)
			}
		}
	}
	return durable.WriteFile(filepath.Join(d.Aside, "REPORT.txt"), []byte(b.String()))
}
