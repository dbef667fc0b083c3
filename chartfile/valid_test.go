package chartfile

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"strings"
	"testing"

	"leadsman/chart"
)

// Whether a text is JSON is held against encoding/json, also where it is found while a chart is read: by hand where rules are easily missed, and on charts with bytes changed.
func TestValidJSON(t *testing.T) {
	texts := []string{"", " ", "{}", "[]", "[ ]", "{ }", "[1,]", "{\"a\":1,}", "{\"a\"}", "{a:1}", "[1 2]", "01", "-", "-0", "1.", "1.5e", "1.5e+3", "1E-9", ".5", "+1", "tru", "true ", "nul", "null1",
		`"\u12G4"`, `"\u12aF"`, `"\u12`, `"\x"`, `"\"`, `"a`, "\"\x01\"", "\"\xff\"", "\"\n\"", `"\/\b\f\n\r\t"`, "{\"a\":{\"b\":[true,false,null]}}", "[[[]]", "[]]", "{}{}", "1 1", "\v1", "[1,\r\n\t2]",
		strings.Repeat("[", 10000) + strings.Repeat("]", 10000), strings.Repeat("[", 10001) + strings.Repeat("]", 10001)}
	const bytesOfJSON = "{}[]\",:0123456789-+.eEtrufalsn\\u \n\x00\xff"
	r := rand.New(rand.NewPCG(8, 15))
	c := &chart.Chart{ID: "a\"\\é"}
	c.Tooth(16).Presence = chart.Present
	c.Site(chart.SiteRef{Tooth: 16, Site: chart.MB}).Depth = chart.Half(7)
	c.Patient.Age = new(int)
	var b bytes.Buffer
	if err := Encode(&b, c); err != nil {
		t.Fatal(err)
	}
	good := 0
	for range 40_000 {
		text := bytes.Clone(b.Bytes())
		for range 1 + r.IntN(2) {
			i := r.IntN(len(text))
			switch r.IntN(3) {
			case 0:
				text[i] = bytesOfJSON[r.IntN(len(bytesOfJSON))]
			case 1:
				text = append(text[:i], text[i+1:]...)
			default:
				text = append(text[:i], append([]byte{text[r.IntN(len(text))]}, text[i:]...)...)
			}
		}
		texts = append(texts, string(text))
	}
	for _, text := range texts {
		w := readChart([]byte(text), &chart.Chart{})
		read := !w.broken && validSpace(w.b, w.i) == len(text)
		if got, want := valid([]byte(text)), json.Valid([]byte(text)); got != want || read != want {
			t.Fatalf("%.200q: %v, read %v, want %v", text, got, read, want)
		} else if want {
			good++
		}
	}
	if good < 1000 {
		t.Errorf("only %d texts were JSON", good)
	}
}
