package practice

import (
	"context"

	"leadsman/chart"
)

// Double is a mouth that was examined twice on one day: what differs is error of measurement.
type Double struct {
	First, Second *chart.Chart
	OtherExaminer bool
}

// Doubles finds the double examinations of the practice: exams of one patient on one day, both signed, taken in pairs in the
// order in which they were begun. mark changes when one may have been added or changed; where it is the one
// given, nothing is read and ds is nil.
func (p *Practice) Doubles(ctx context.Context, mark string) (ds []Double, now string, err error) {
	pairs, now, err := p.records.SignedTwice(ctx, mark)
	if err != nil || now == mark {
		return nil, now, err
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
