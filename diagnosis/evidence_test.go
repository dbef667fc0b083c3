package diagnosis

import (
	"encoding/json"
	"testing"

	"leadsman/chart"
)

// Evidence about a whole tooth has no site, also where it is written by itself: in a prognosis.
func TestEvidenceByItself(t *testing.T) {
	e := Evidence{Tooth: 16, Site: chart.NumSites, Mobility: chart.GradeOf(2)}
	if b, err := json.Marshal(struct{ Because []Evidence }{[]Evidence{e}}); err != nil || string(b) != `{"Because":[{"tooth":"16","mobility":2}]}` {
		t.Errorf("%s %v", b, err)
	}
}
