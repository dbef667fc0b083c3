package web

import (
	"context"
	"sync"

	"leadsman/diagnosis"
)

// noise keeps the error model that was made of the practice's double examinations, until another one is added.
type noise struct {
	mu    sync.Mutex
	mark  string
	model *diagnosis.ErrorModel
}

// errors is how far readings repeat in this practice: by its own double examinations where it has them.
func (s *server) errors(ctx context.Context) (*diagnosis.ErrorModel, error) {
	s.noise.mu.Lock()
	defer s.noise.mu.Unlock()
	ds, mark, err := s.Practice.Doubles(ctx, s.noise.mark)
	if err != nil || mark == s.noise.mark {
		return s.noise.model, err
	}
	doubles := make([]diagnosis.DoubleExam, len(ds))
	for i, d := range ds {
		doubles[i] = diagnosis.DoubleExam(d)
	}
	s.noise.mark, s.noise.model = mark, diagnosis.ErrorOf(doubles)
	return s.noise.model, nil
}
