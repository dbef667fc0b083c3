package fhir

import (
	"bytes"
	"os"
	"testing"
)

// Whatever bundle comes in, it is refused, or each resource is taken or rejected with a reason.
func FuzzRead(f *testing.F) {
	b, err := os.ReadFile("testdata/example_exam.json")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"32910-2"}]},"valueQuantity":{"value":4.5,"code":"mm"}}}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		recs, rejected, err := Read(bytes.NewReader(b))
		if err != nil {
			return
		}
		for _, r := range rejected {
			if r.Why == "" {
				t.Fatalf("rejected without a reason: %+v", r)
			}
		}
		for _, r := range recs {
			if r == nil {
				t.Fatal("a record that is none")
			}
		}
	})
}
