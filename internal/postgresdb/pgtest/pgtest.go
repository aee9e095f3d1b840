//go:build unix

// Package pgtest gives tests a PostgreSQL server of their own: a new one in a
// temporary directory, started once a process and stopped with it.
package pgtest

import (
	"bytes"
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

type server struct {
	dir  string
	cmd  *exec.Cmd
	said bytes.Buffer
	made int
}

var (
	once   sync.Once
	shared *server
	failed error
)

// Run runs the tests of a package and stops the server, if one of them started
// it. TestMain calls it with m.Run.
func Run(m interface{ Run() int }) int {
	code := m.Run()
	if shared != nil {
		shared.stop()
	}
	return code
}

// URL makes an empty database and returns its address. Where no server is
// installed the test is skipped, unless the variable CI is set: there it fails.
// The package's TestMain must use [Run].
func URL(t testing.TB) string {
	t.Helper()
	once.Do(func() { shared, failed = start() })
	if failed != nil {
		if os.Getenv("CI") == "" {
			t.Skipf("no PostgreSQL here: %v", failed)
		}
		t.Fatalf("PostgreSQL: %v", failed)
	}
	address, err := shared.database(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return address
}

// find looks for a program of the server on the path and where Debian keeps it.
func find(name string) (string, error) {
	if path, err := exec.LookPath(name); err == nil {
		return path, nil
	}
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	if err != nil || len(found) == 0 {
		return "", fmt.Errorf("%s is not installed; with Debian: apt-get install postgresql", name)
	}
	return found[len(found)-1], nil
}

func start() (*server, error) {
	initdb, err := find("initdb")
	if err != nil {
		return nil, err
	}
	postgres, err := find("postgres")
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "pg")
	if err != nil {
		return nil, err
	}
	s := &server{dir: dir}
	attr, err := ordinary(dir)
	if err != nil {
		return nil, err
	}
	data := filepath.Join(dir, "data")
	setUp := exec.Command(initdb, "-D", data, "-U", "samecup", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
	setUp.Dir, setUp.SysProcAttr = dir, attr
	if out, err := setUp.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("initdb: %w: %s", err, out)
	}
	// No port: a socket in the directory is nobody else's.
	s.cmd = exec.Command(postgres, "-D", data, "-k", dir, "-c", "listen_addresses=", "-c", "max_connections=200", "-c", "shared_buffers=16MB")
	s.cmd.Dir, s.cmd.SysProcAttr = dir, attr
	s.cmd.Stdout, s.cmd.Stderr = &s.said, &s.said
	if err := s.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start postgres: %w", err)
	}
	if err := s.ready(); err != nil {
		s.stop()
		return nil, err
	}
	return s, nil
}

// ordinary hands the directory to a user that the server accepts: not root.
func ordinary(dir string) (*syscall.SysProcAttr, error) {
	attr := new(syscall.SysProcAttr)
	if os.Geteuid() != 0 {
		return attr, nil
	}
	who, err := user.Lookup("postgres")
	if err != nil {
		if who, err = user.Lookup("nobody"); err != nil {
			return nil, err
		}
	}
	uid, err := strconv.Atoi(who.Uid)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.Atoi(who.Gid)
	if err != nil {
		return nil, err
	}
	attr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	return attr, os.Chown(dir, uid, gid)
}

func (s *server) address(database string) string {
	u := url.URL{Scheme: "postgres", User: url.User("samecup"), Path: "/" + database, RawQuery: url.Values{"host": {s.dir}}.Encode()}
	return u.String()
}

func (s *server) ready() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		c, err := pgx.Connect(ctx, s.address("postgres"))
		if err == nil {
			return c.Close(ctx)
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("it does not answer: %w: %s", err, s.said.Bytes())
		case <-tick.C:
		}
	}
}

func (s *server) database(ctx context.Context) (string, error) {
	c, err := pgx.Connect(ctx, s.address("postgres"))
	if err != nil {
		return "", fmt.Errorf("connect to the test server: %w", err)
	}
	defer func() { _ = c.Close(ctx) }()
	s.made++
	name := fmt.Sprintf("test_%d", s.made)
	if _, err := c.Exec(ctx, "CREATE DATABASE "+name); err != nil {
		return "", fmt.Errorf("make a database: %w", err)
	}
	return s.address(name), nil
}

func (s *server) stop() {
	// SIGINT is the server's fast shutdown.
	_ = s.cmd.Process.Signal(syscall.SIGINT)
	_ = s.cmd.Wait()
	_ = os.RemoveAll(s.dir)
}
