package tidy

import (
	"strings"
	"testing"
)

// Whatever table and mapping come in, they are refused, or each row is taken or rejected with a reason.
func FuzzRead(f *testing.F) {
	f.Add(`{"columns":{"patient":"pat","tooth":"t","site":"s","depth_mm":"pd"},"numbering":"fdi"}`, "pat,t,s,pd\nA,16,MB,4\nA,16,B,\nA,99,XX,-3\n")
	f.Add(`{"columns":{"patient":"a","tooth":"b"},"fixed":{"site":"B"}}`, "a,b,\"c\n1,2,3\n")
	f.Add(`{"columns":{"patient":"pat","tooth":"t","site":"s"}}`, "pat,t,s,\nA\"0")
	f.Fuzz(func(t *testing.T, mapping, table string) {
		m, err := ReadMap(strings.NewReader(mapping))
		if err != nil {
			return
		}
		got, err := Read(strings.NewReader(table), strings.NewReader(table), m)
		if err == nil && got == nil {
			t.Fatal("neither a table nor an error")
		}
		if err != nil {
			return
		}
		for _, r := range got.Rejected {
			if r.String() == "" {
				t.Fatalf("rejected without a reason: %+v", r)
			}
		}
		for _, r := range got.Records {
			if r == nil {
				t.Fatal("a record that is none")
			}
		}
	})
}
