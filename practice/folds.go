package practice

import (
	"slices"
	"sync"

	"leadsman/chart"
)

// keptFolds is how many states are kept: all exams of some patients, at about 300 KB each.
const keptFolds = 64

// folds keeps the states of exams that were read last, as long as their logs end where they ended then.
type folds struct {
	mu   sync.Mutex
	kept []folded // the one used last at the end
}

type folded struct {
	exam, head string
	state      *chart.State
}

// of is the state of an exam, or nil.
func (f *folds) of(x Exam) *chart.State {
	f.mu.Lock()
	defer f.mu.Unlock()
	i := slices.IndexFunc(f.kept, func(k folded) bool { return k.exam == x.ID && k.head == x.Head })
	if i < 0 {
		return nil
	}
	k := f.kept[i]
	f.kept = append(slices.Delete(f.kept, i, i+1), k)
	return k.state
}

// forget drops the state of an exam.
func (f *folds) forget(exam string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.drop(exam)
}

// drop is forget for who holds the lock.
func (f *folds) drop(exam string) {
	f.kept = slices.DeleteFunc(f.kept, func(k folded) bool { return k.exam == exam })
}

func (f *folds) keep(x Exam, st *chart.State) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.drop(x.ID)
	if len(f.kept) >= keptFolds {
		f.kept = slices.Delete(f.kept, 0, 1)
	}
	f.kept = append(f.kept, folded{x.ID, x.Head, st})
}
