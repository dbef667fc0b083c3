package chart

import (
	"encoding/json"
	"errors"
	"fmt"
	"testing"
)

// Lists of teeth are FDI numbers in JSON, as single teeth are, and come back the same.
func TestTeethAsJSON(t *testing.T) {
	for want, ts := range map[string]Teeth{"[16,26,48]": {16, 26, 48}, "[]": nil} {
		b, err := json.Marshal(struct{ T Teeth }{ts})
		if err != nil || string(b) != `{"T":`+want+`}` {
			t.Errorf("%v: %s, %v", ts, b, err)
		}
		var back struct{ T Teeth }
		if err := json.Unmarshal(b, &back); err != nil || fmt.Sprint(back.T) != fmt.Sprint(ts) {
			t.Errorf("%s: %v, %v", b, back.T, err)
		}
	}
	var ts Teeth
	for _, bad := range []string{`[19]`, `[0]`, `[272]`, `[-1]`} {
		if err := json.Unmarshal([]byte(bad), &ts); !errors.Is(err, ErrNoSuchTooth) {
			t.Errorf("%s: %v, %v", bad, ts, err)
		}
	}
	if err := json.Unmarshal([]byte(`"EBo="`), &ts); err == nil {
		t.Error("bytes were taken for teeth")
	}
	a := Act{Verb: VerbPresence, Presence: Missing, Teeth: []Tooth{18, 28}}
	if b, err := json.Marshal(a); err != nil || string(b) != `{"verb":"presence","teeth":[18,28],"aspect":"buccal","presence":2}` {
		t.Errorf("%s, %v", b, err)
	}
}
