package samples

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
)

// postgresSchema is what objects finds in a new register, as JSON:
// PostgreSQL can be asked for it only where a register is. A test keeps it.
const postgresSchema = "migrations/postgres/schema.json"

// objects returns all that the database is built of, by name.
func (g *Register) objects(ctx context.Context, q querier) (map[string]string, error) {
	query, err := migrations.ReadFile("migrations/objects/" + g.kind.name + ".sql")
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	err = g.each(ctx, q, string(query), nil, func(rows *sql.Rows) error {
		var name, is string
		err := rows.Scan(&name, &is)
		out[name] = is
		return err
	})
	return out, err
}

// wanted returns what objects finds in a new register.
func (g *Register) wanted(ctx context.Context) (out map[string]string, err error) {
	if g.kind == postgresDialect {
		data, err := migrations.ReadFile(postgresSchema)
		if err != nil {
			return nil, err
		}
		if err := json.Unmarshal(data, &out); err != nil {
			return nil, fmt.Errorf("%s: %w", postgresSchema, err)
		}
		return out, nil
	}
	db, err := sql.Open("sqlite", "file::memory:")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1) // each connection has a memory of its own
	fresh := &Register{db: db, kind: sqliteDialect}
	if err := fresh.migrate(ctx, true); err != nil {
		return nil, err
	}
	return fresh.objects(ctx, db)
}
