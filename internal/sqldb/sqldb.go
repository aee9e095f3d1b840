// Package sqldb answers what a store needs of a database, whichever engine it
// is: one connection that writes, some that read.
package sqldb

import (
	"database/sql"
	"errors"
)

// DB is one database. internal/sqlitedb and internal/postgresdb open it.
type DB struct {
	// Write has a single connection. Its transactions exclude each other, in
	// this process and others.
	Write *sql.DB
	// Read has connections that cannot write; a transaction of theirs sees one
	// moment.
	Read *sql.DB
}

// Close closes both pools.
func (db *DB) Close() error {
	var err error
	if db.Read != nil {
		err = db.Read.Close()
	}
	return errors.Join(err, db.Write.Close())
}
