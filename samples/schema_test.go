package samples

import (
	"database/sql"
	"encoding/json"
	"flag"
	"net/url"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write what a new register on PostgreSQL is built of")

// What Verify compares a PostgreSQL register with is what the migrations make.
// It is in a schema of its own name, which must not show.
func TestPostgresSchemaIsKept(t *testing.T) {
	base := os.Getenv("TRAYTALLY_POSTGRES")
	if base == "" {
		t.Skip("TRAYTALLY_POSTGRES names no PostgreSQL server")
	}
	u, err := url.Parse(base)
	require.NoError(t, err)
	q := u.Query()
	quoted := `"Schema.of""its.own"`
	q.Set("search_path", quoted)
	u.RawQuery = q.Encode()
	db, err := sql.Open("pgx", base)
	require.NoError(t, err)
	defer db.Close()
	_, err = db.Exec("CREATE SCHEMA " + quoted)
	require.NoError(t, err)
	defer db.Exec("DROP SCHEMA " + quoted + " CASCADE")
	g, err := Open(t.Context(), u.String(), OpenOptions{Create: true})
	require.NoError(t, err)
	defer g.Close()
	there, err := g.objects(t.Context(), g.db)
	require.NoError(t, err)
	if *update {
		data, err := json.MarshalIndent(there, "", " ")
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(postgresSchema, append(data, '\n'), 0o666))
		return
	}
	wanted, err := g.wanted(t.Context())
	require.NoError(t, err)
	require.Equal(t, wanted, there)
}
