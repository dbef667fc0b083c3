package chartfile

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"leadsman/chart"
)

// readInput reads the value of one of the described keys; false if the key is none of them.
func readInput[T any](w *jsonText, set []chart.Input[T], target *T, key []byte, seen *uint64) bool {
	for i := range set {
		in := &set[i]
		if in.Key != string(key) {
			continue
		}
		w.once(seen, i)
		switch p := in.At(target).(type) {
		case **int:
			*p = nil
			if v, ok := w.whole(in.Min, in.Max, in.Unit); ok {
				*p = &v
			} else {
				w.cleared()
			}
		case **float64:
			*p = nil
			if v, ok := w.number(in.Min, in.Max, in.Unit); ok {
				*p = &v
			} else {
				w.cleared()
			}
		case **bool:
			*p = nil
			if v, ok := w.yesNo(); ok {
				*p = &v
			} else {
				w.cleared()
			}
		case *string:
			*p = ""
			if v, ok := w.text(); ok {
				if problem := wordProblem(v, in.Words); problem != "" {
					w.issue(nil, "%s", problem)
				} else {
					*p = v
				}
			} else {
				w.cleared()
			}
		}
		return true
	}
	return false
}

// wordProblem says why v is none of words; any text will do if there are none.
func wordProblem(v string, words []string) string {
	switch {
	case len(words) == 0 || slices.Contains(words, v):
		return ""
	case words[0] == chart.Day:
		if _, err := time.Parse(time.DateOnly, v); err == nil {
			return ""
		}
		return fmt.Sprintf("%q: a date %s is needed", v, chart.Day)
	case words[0] == timeWord:
		if _, err := time.Parse(time.RFC3339, v); err == nil {
			return ""
		}
		return fmt.Sprintf("%q: a time such as %s is needed", v, timeWord)
	}
	return fmt.Sprintf("%q: use one of %s", v, strings.Join(words, ", "))
}

// patient reads what was asked about a patient. Only a change holds teeth: in a chart file they stand with the readings.
func (w *jsonText) patient(p *chart.Patient, n chart.Numbering) {
	var seen, more uint64
	w.object(func(key []byte) {
		switch string(key) {
		case "factors":
			w.once(&more, 0)
			w.object(func(key []byte) { w.factor(p, key, n) })
		case "by_exception":
			w.once(&more, 1)
			w.byException(p)
		case "gaps":
			w.once(&more, 2)
			w.gaps(p, n)
		case "teeth":
			if w.change == nil {
				w.unknownKey()
				return
			}
			w.once(&more, 3)
			w.askedTeeth(p)
		default:
			if !readInput(w, chart.PatientAsked, p, key, &seen) {
				w.unknownKey()
			}
		}
	})
}

func (w *jsonText) factor(p *chart.Patient, key []byte, n chart.Numbering) {
	name, tooth, hasTooth := strings.Cut(string(key), ".")
	kept := name
	if !slices.Contains(chart.FactorNames(), name) {
		w.unknownKey()
		return
	}
	if hasTooth {
		t, ok := w.toothOf([]byte(tooth), n)
		if !ok {
			return
		}
		kept += "." + t.String()
	}
	s, ok := w.text()
	if !ok {
		w.cleared()
		return
	}
	if problem := wordProblem(s, []string{"confirmed", "rejected"}); problem != "" {
		w.issue(nil, "%s", problem)
		return
	}
	chart.Keep(&p.Factors, kept, s)
}

func (w *jsonText) byException(p *chart.Patient) {
	w.array(func() {
		s, ok := w.text()
		if !ok {
			return
		}
		if problem := wordProblem(s, flagKeys); problem != "" {
			w.issue(nil, "%s", problem)
		} else if slices.Contains(p.ByException, s) {
			w.issue(nil, "%q is listed twice", s)
		} else {
			p.ByException = append(p.ByException, s)
		}
	})
	slices.Sort(p.ByException)
	if p.ByException == nil {
		w.cleared()
	}
}

func (w *jsonText) gaps(p *chart.Patient, n chart.Numbering) {
	var seen []chart.Gap
	w.object(func(key []byte) {
		g, err := chart.ParseGap(string(key), n)
		if err != nil {
			w.token()
			w.issue(err, "%v", err)
			return
		}
		if slices.Contains(seen, g) {
			w.issue(nil, "given twice")
		}
		seen = append(seen, g)
		var v chart.GapInputs
		readInputs(w, chart.GapAsked, &v)
		if v != (chart.GapInputs{}) {
			chart.Keep(&p.Gaps, g, v)
		}
	})
}

// readInputs reads an object of nothing but the described keys.
func readInputs[T any](w *jsonText, set []chart.Input[T], target *T) {
	var seen uint64
	w.object(func(key []byte) {
		if !readInput(w, set, target, key, &seen) {
			w.unknownKey()
		}
	})
}

func (w *jsonText) toothInput(in *chart.ToothInputs, key []byte, seen *uint64) {
	switch string(key) {
	case "gingival_bleeding":
		w.once(seen, 62)
		in.GingivalBleed = whole(w, chart.GingivalAsked)
	case "implant":
		w.once(seen, 63)
		in.Implant = whole(w, chart.ImplantAsked)
	default:
		if !readInput(w, chart.ToothAsked, in, key, seen) {
			w.unknownKey()
		}
	}
}

// whole reads inputs that are given together, and only together taken back; nil if there are none.
func whole[T comparable](w *jsonText, set []chart.Input[T]) *T {
	var v, none T
	change := w.change
	w.change = nil
	readInputs(w, set, &v)
	w.change = change
	if v == none {
		w.cleared()
		return nil
	}
	return &v
}

func (w *jsonText) siteInput(in *chart.ToothInputs, s chart.Site, key []byte, seen *uint64) {
	v := in.Sites[s]
	if !readInput(w, chart.SiteAsked, &v, key, seen) {
		w.unknownKey()
	} else if v != (chart.SiteInputs{}) {
		chart.Keep(&in.Sites, s, v)
	}
}

func (w *jsonText) askedTeeth(p *chart.Patient) {
	var teeth uint64
	w.object(func(key []byte) {
		t, ok := w.toothOf(key, chart.FDI)
		if !ok {
			return
		}
		w.once(&teeth, t.Index())
		var in chart.ToothInputs
		var seen uint64
		w.object(func(key []byte) {
			if string(key) != "sites" {
				w.toothInput(&in, key, &seen)
				return
			}
			w.among(siteKeys, func(s int) {
				var seen uint64
				w.object(func(key []byte) { w.siteInput(&in, chart.Site(s), key, &seen) })
			})
		})
		if !in.Empty() {
			chart.Keep(&p.Teeth, t, in)
		}
	})
}

// cleared notes that the input under the cursor is null: a change takes it back.
func (w *jsonText) cleared() {
	if w.change == nil {
		return
	}
	a := chart.Asked{Key: string(w.path[len(w.path)-1])}
	switch string(w.path[0]) {
	case "factors":
		a.Key = chart.FactorPrefix + a.Key
	case "gaps":
		a.Gap, _ = chart.ParseGap(string(w.path[1]), chart.FDI) // read before, as the tooth and the site
	case "teeth":
		a.Tooth, _ = chart.ParseTooth(string(w.path[1]), chart.FDI)
		if len(w.path) > 3 {
			s, _ := chart.ParseSite(string(w.path[3]))
			a.Site = &s
		}
	}
	w.change.Cleared = append(w.change.Cleared, a)
}

// decodeChange reads a change of what was asked about a patient: the keys of Patient, null to take an input back, teeth by FDI number.
// Unknown keys and values out of range are refused as Issues.
func decodeChange(object []byte) (*chart.Change, error) {
	if !json.Valid(object) {
		return nil, errors.New("patient inputs: not readable as JSON")
	}
	w := &jsonText{b: object, change: &chart.Change{}}
	w.patient(&w.change.Given, chart.FDI)
	if len(w.issues) > 0 {
		return nil, fmt.Errorf("patient inputs: %w", w.issues)
	}
	return w.change, nil
}

// MergePatient returns p with a change in the form of DecodeChange; p itself is not changed, and is returned where the change is refused.
func MergePatient(p chart.Patient, object []byte) (chart.Patient, error) {
	c, err := decodeChange(object)
	if err != nil {
		return p, err
	}
	return p.With(c), nil
}
