package fhir

import (
	"bytes"
	"encoding/json"
	"os"
	"slices"
	"testing"
)

// Whatever bundle comes in, it is refused, or each resource is taken or rejected with a reason.
func FuzzRead(f *testing.F) {
	// Of an exam two resources of each kind: short input is turned over quicker.
	b, err := os.ReadFile("testdata/example_exam.json")
	if err != nil {
		f.Fatal(err)
	}
	var bundle struct {
		ResourceType string            `json:"resourceType"`
		Type         string            `json:"type"`
		Entry        []json.RawMessage `json:"entry"`
	}
	if err := json.Unmarshal(b, &bundle); err != nil {
		f.Fatal(err)
	}
	kinds := map[string]int{}
	bundle.Entry = slices.DeleteFunc(bundle.Entry, func(e json.RawMessage) bool {
		var x struct {
			Resource struct {
				ResourceType string `json:"resourceType"`
			} `json:"resource"`
		}
		_ = json.Unmarshal(e, &x)
		kinds[x.Resource.ResourceType]++
		return kinds[x.Resource.ResourceType] > 2 || len(e) > 3000
	})
	if b, err = json.Marshal(bundle); err != nil || len(kinds) < 4 {
		f.Fatal(err, kinds)
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
