package authority

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/services/authority/store"
)

// RecoverPerson makes a person's new token where the old one was lost, with
// nothing but the data directory: whoever may read and write that could change
// anything in it anyway. The authority must stand still (ErrInUse). It goes into
// the record, every earlier token of the person ends, and the new one is
// returned this once. A person who is not there or was disabled is a
// *govern.Refused.
func RecoverPerson(ctx context.Context, dir, database, person, osUser string, now time.Time, log *zap.Logger) (token string, err error) {
	if database == "" {
		if _, err := os.Stat(filepath.Join(dir, store.File)); errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("%s holds no %s: name the directory that the authority keeps its data in", dir, store.File)
		} else if err != nil {
			return "", fmt.Errorf("look for the authority's database: %w", err)
		}
	}
	lock, err := lockDir(dir)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	db, err := store.Open(ctx, database, dir)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	s := &Service{log: log, now: func() time.Time { return now }, store: db, dataDir: dir, pub: newPublisher()}
	s.ledger.moved = make(chan struct{})
	s.ledger.mu.Lock()
	err = s.reload(ctx)
	s.ledger.mu.Unlock()
	if err != nil {
		return "", err
	}
	token, hash := newToken()
	_, _, err = s.decide(ctx, govern.Call{Actor: govern.MachineActor(), At: now}, func(t *turn) ([]govern.Act, error) {
		return t.RecoverPerson(t.Call, person, hash, osUser)
	})
	if err != nil {
		return "", err
	}
	return token, nil
}
