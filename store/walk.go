package store

import (
	"context"
	"iter"
)

// page is how many records a walk reads at once.
const page = 200

// EachPatient yields the patients by id, those behind after only. It holds few of them at a time, so that a practice of any size can
// be walked; patients that are added meanwhile may be among them.
func (s *Store) EachPatient(ctx context.Context, after string) iter.Seq2[Patient, error] {
	return func(yield func(Patient, error) bool) {
		for {
			ps, err := list(ctx, s, "walk patients", s.scanPatient, "SELECT "+patientCols+mergedCol+" FROM patients WHERE id > ? ORDER BY id LIMIT ?", after, page)
			if err != nil {
				yield(Patient{}, err)
				return
			}
			for _, p := range ps {
				if !yield(p, nil) {
					return
				}
				after = p.ID
			}
			if len(ps) < page {
				return
			}
		}
	}
}
