package practice

import (
	"context"
	"strings"
	"time"

	"leadsman/chart"
)

// Double is a mouth that was examined twice on one day: what differs is error of measurement.
type Double struct {
	First, Second *chart.Chart
	OtherExaminer bool
}

// Doubles finds the double examinations of the practice: exams of one patient on one day, both signed, taken in pairs in the
// order in which they were begun. mark changes when a double examination is added or one of them changes; where it is the
// one given, nothing is read and ds is nil.
func (p *Practice) Doubles(ctx context.Context, mark string) (ds []Double, now string, err error) {
	all, err := p.records.Exams(ctx, "")
	if err != nil {
		return nil, "", err
	}
	type key struct{ patient, day string }
	waits := map[key]Exam{}
	var pairs [][2]Exam
	var b strings.Builder
	for i := len(all) - 1; i >= 0; i-- { // oldest first
		x := all[i]
		if x.SignedBy == "" || x.Void {
			continue
		}
		k := key{x.Patient, x.Created.Format(time.DateOnly)}
		first, ok := waits[k]
		if !ok {
			waits[k] = x
			continue
		}
		delete(waits, k)
		pairs = append(pairs, [2]Exam{first, x})
		b.WriteString(first.ID + first.Head + x.ID + x.Head)
	}
	if now = b.String(); now == mark {
		return nil, now, nil
	}
	for _, pair := range pairs {
		var cs [2]*chart.Chart
		for i, x := range pair {
			st, err := p.fold(ctx, x)
			if err != nil {
				p.log.Error("exam of a double examination cannot be read", "exam", x.ID, "err", err)
				break
			}
			cs[i] = &st.Chart
		}
		if cs[0] != nil && cs[1] != nil {
			ds = append(ds, Double{cs[0], cs[1], pair[0].SignedBy != pair[1].SignedBy})
		}
	}
	return ds, now, nil
}
