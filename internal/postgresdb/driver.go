package postgresdb

import (
	"context"
	"database/sql/driver"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5/stdlib"
)

// connector opens connections that translate. Where lock is not 0, each
// transaction holds that advisory lock until it ends.
type connector struct {
	driver.Connector
	lock int64
}

// Connect implements [driver.Connector].
func (c connector) Connect(ctx context.Context) (driver.Conn, error) {
	inner, err := c.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	return &conn{inner.(*stdlib.Conn), c.lock}, nil
}

type conn struct {
	*stdlib.Conn
	lock int64
}

// BeginTx begins a transaction, and as a writer waits until no other is in one.
func (c *conn) BeginTx(ctx context.Context, opts driver.TxOptions) (driver.Tx, error) {
	tx, err := c.Conn.BeginTx(ctx, opts)
	if err != nil || c.lock == 0 {
		return tx, err
	}
	if _, err := c.Conn.ExecContext(ctx, `SELECT pg_advisory_xact_lock($1)`, []driver.NamedValue{{Ordinal: 1, Value: c.lock}}); err != nil {
		_ = tx.Rollback() // the connection may be gone; the error before says why
		return nil, fmt.Errorf("wait for the other writer: %w", err)
	}
	return tx, nil
}

// PrepareContext prepares a query with "?" for arguments.
func (c *conn) PrepareContext(ctx context.Context, query string) (driver.Stmt, error) {
	return c.Conn.PrepareContext(ctx, translate(query))
}

// Prepare prepares a query with "?" for arguments.
func (c *conn) Prepare(query string) (driver.Stmt, error) { return c.Conn.Prepare(translate(query)) }

// ExecContext runs a query with "?" for arguments.
func (c *conn) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	return c.Conn.ExecContext(ctx, translate(query), args)
}

// QueryContext runs a query with "?" for arguments.
func (c *conn) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	return c.Conn.QueryContext(ctx, translate(query), args)
}

// CheckNamedValue turns booleans into 0 and 1, as the tables have them, and
// takes out of a text what the server refuses: NUL and what is not UTF-8.
func (c *conn) CheckNamedValue(v *driver.NamedValue) error {
	value, err := driver.DefaultParameterConverter.ConvertValue(v.Value)
	if err != nil {
		return err
	}
	switch x := value.(type) {
	case bool:
		value = int64(0)
		if x {
			value = int64(1)
		}
	case string:
		value = strings.ToValidUTF8(strings.ReplaceAll(x, "\x00", "\uFFFD"), "\uFFFD")
	}
	v.Value = value
	return nil
}

// translate writes "?" as "$1", "$2" and so on, and "?2" as "$2", outside of
// quotes and comments.
func translate(query string) string {
	if !strings.Contains(query, "?") {
		return query
	}
	var b strings.Builder
	b.Grow(len(query) + 16)
	n := 0
	for i := 0; i < len(query); i++ {
		switch ch := query[i]; {
		case ch == '\'' || ch == '"':
			end := strings.IndexByte(query[i+1:], ch)
			if end < 0 {
				end = len(query) - i - 2
			}
			b.WriteString(query[i : i+end+2])
			i += end + 1
		case strings.HasPrefix(query[i:], "--"):
			end := strings.IndexByte(query[i:], '\n')
			if end < 0 {
				end = len(query) - i
			}
			b.WriteString(query[i : i+end])
			i += end - 1
		case ch != '?':
			b.WriteByte(ch)
		case i+1 < len(query) && query[i+1] >= '1' && query[i+1] <= '9':
			b.WriteByte('$')
		default:
			n++
			fmt.Fprintf(&b, "$%d", n)
		}
	}
	return b.String()
}
