package store

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// Every column of every table is named by a statement outside of the schema: none is kept that nothing reads or writes.
func TestEveryColumnIsUsed(t *testing.T) {
	s := openT(t, t.TempDir())
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	var code strings.Builder
	for _, f := range files {
		if name := f.Name(); strings.HasSuffix(name, ".go") && !strings.HasSuffix(name, "_test.go") && name != "schema.go" {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			code.Write(b)
		}
	}
	rows, err := s.r.QueryContext(ctx, "SELECT m.name, c.name FROM sqlite_schema m JOIN pragma_table_info(m.name) c WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%'")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		var table, column string
		if err := rows.Scan(&table, &column); err != nil {
			t.Fatal(err)
		}
		if n++; !regexp.MustCompile(`\b` + regexp.QuoteMeta(column) + `\b`).MatchString(code.String()) {
			t.Errorf("%s.%s is used by no statement", table, column)
		}
	}
	if n < 80 {
		t.Errorf("only %d columns were found", n)
	}
}
